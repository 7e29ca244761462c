"""No hit is late because a tape is told where everything stands; on a clock that costs what a slow
computer would."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support.taped import MS, Evening

from bridge.music import place
from bridge.player.stands import LANE_NS, SPARE_NS, Stands
from bridge.player.tape import Tape

BAR = 3840  # 4/4: four quarters of 960 ticks


class Slow:
    """A part and its tape; making plain data of a place takes `cost` ns."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, cost: int) -> None:
        self.now, self.cost = 10_000_000_000, cost
        self.part = Evening(folder).player.part
        self.tape = Tape(lambda now: 0.0, {}, lambda: 1)
        self.stands = Stands(lambda: self.now)
        self.made = 0
        real = place.plain

        def plain(stood: object) -> Any:
            self.now += self.cost
            self.made += 1
            return real(stood)

        monkeypatch.setattr(place, "plain", plain)

    def begin(self, tick: int = BAR) -> None:
        self.part.seek(tick)
        self.tape.begin(self.now, self.now, tick, dict)
        self.stands.begin(self.tape, self.part, fresh=False)

    def look(self, slack: int) -> None:
        """One turn of the player's loop, with so many ns until a hit is due."""
        due = self.now + slack
        self.stands.look(self.tape, self.part, lambda now: due - now)
        assert self.now <= due, "the hit is late"

    def told(self) -> list[Any]:
        batch = self.tape.batch(self.now, whole=True)
        marks = [] if batch is None else batch["marks"]
        return [mark for mark in marks if mark["is"] == "stands"]

    @property
    def cautious(self) -> int:
        return SPARE_NS + 2 * LANE_NS * len(self.part.score.lanes)


def test_before_anything_was_measured_a_begin_waits_for_room_by_the_size_of_the_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = Slow(tmp_path, monkeypatch, 2 * MS)
    slow.begin()
    assert slow.made == 0, "a begin itself costs nothing of that"
    for slack in (0, 1 * MS, 2 * MS, slow.cautious):
        slow.look(slack)
    assert slow.told() == []
    slow.look(slow.cautious + 1)
    (mark,) = slow.told()
    assert mark["rendered"] == BAR
    assert mark["place"]["position"] == BAR


def test_once_measured_twice_that_is_enough(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = Slow(tmp_path, monkeypatch, 1 * MS)
    slow.begin()
    slow.look(slow.cautious + 1)
    assert len(slow.told()) == 1
    slow.now += 2_000 * MS
    slow.begin(3 * BAR)
    slow.look(SPARE_NS + 2 * MS)
    assert slow.told() == []
    slow.look(SPARE_NS + 2 * MS + 1)
    assert [mark["rendered"] for mark in slow.told()] == [3 * BAR]


def test_what_is_told_late_is_how_it_stood_at_the_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = Slow(tmp_path, monkeypatch, 1 * MS)
    slow.begin()
    before = place.plain(slow.part.renderer.place)
    for _ in slow.part.render(BAR + 700, 120):
        continue
    slow.look(slow.cautious + 1)
    (mark,) = slow.told()
    assert (mark["rendered"], mark["place"]) == (BAR, before)


@pytest.mark.parametrize(
    ("command", "there"), [({"do": "mute"}, BAR + 700), ({"do": "continue"}, BAR)]
)
def test_after_a_hand_it_is_told_as_it_stands_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: dict[str, object], there: int
) -> None:
    """The hand that began it changes nothing but the place."""
    slow = Slow(tmp_path, monkeypatch, 1 * MS)
    slow.begin()
    list(slow.part.render(BAR + 700, 120))
    slow.tape.move(slow.now, slow.part.rendered, "page ana", command)
    slow.look(slow.cautious + 1)
    assert [mark["rendered"] for mark in slow.told()] == [there]
