"""Takes are recorded without asking: what left the ports, what hands did, within the disk's bounds."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.taped import Evening

from bridge.player import tape
from bridge.supervisor import recorder
from bridge.supervisor.spending import BLOCK, OVERHEAD, TAKE_BYTES_PER_HOUR


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[Evening]:
    made = Evening(tmp_path)
    yield made
    made.recorder.end(made.now / 1e9)


def wire(evening: Evening) -> list[tuple[str, bytes]]:
    return [(port, data) for _, port, data in evening.received()]


def test_a_take_holds_exactly_what_the_ports_got(evening: Evening) -> None:
    evening.do("start")
    evening.run(3000)
    evening.do("mute", lane="kick", muted=True)
    evening.do("section", section="flood")
    evening.run(3000)
    evening.stop()
    take = evening.take()
    assert [(port, data) for _, _, port, _, data in take.sent()] == wire(evening)
    left = [due + max(late, 0) for due, late in zip(take.due, take.late, strict=True)]
    assert left == [ns for ns, _, _ in evening.received()]
    assert take.whole
    assert take.lost == 0


def test_moves_say_who_when_and_what(evening: Evening) -> None:
    evening.do("start", client="osc 10.0.0.5")
    evening.run(1000)
    evening.do("macro", macro="brightness", value=0.5)
    evening.run(1000)
    evening.stop()
    moves = [mark for mark in evening.take().marks if mark["is"] == "move"]
    assert [(m["client"], m["command"]["do"]) for m in moves] == [
        ("osc 10.0.0.5", "start"),
        ("page ana", "macro"),
    ]
    assert moves[1]["command"] == {"do": "macro", "macro": "brightness", "value": 0.5}
    begin = evening.take().head["begin"]
    second = 126 / 60 * 960  # ticks at 126 quarter notes a minute
    assert moves[1]["tick"] == pytest.approx(second - (begin["at"] - begin["ns"]) / 1e9 * second)


def test_a_take_goes_from_start_to_stop(evening: Evening) -> None:
    evening.do("tempo", bpm=100)  # while it stands: no take
    evening.run(1000)
    for _ in range(2):
        evening.do("start")
        evening.run(1500)
        evening.stop()
    evening.written()
    rows = evening.takes.rows()
    assert [row.id for row in rows] == ["2026-03-07T21-04-00", "2026-03-07T21-04-00-2"][::-1]
    assert all(row.seconds == pytest.approx(1.5, abs=0.02) and row.bars == 1 for row in rows)
    assert all(not row.recording for row in rows)


def test_the_head_has_what_is_played_and_no_paths(evening: Evening) -> None:
    evening.do("start")
    evening.run(100)
    evening.stop()
    head = evening.take().head
    assert head["text"] == evening.text
    assert head["file"] == "low-tide.yaml"
    assert "somebody" not in str({**head, "text": ""})
    assert sorted(head["files"]) == ["eight-heights-four-cv.yaml", "rig.yaml"]


def test_a_take_that_goes_on_is_readable_and_locked(evening: Evening) -> None:
    evening.do("start")
    evening.run(7000)
    (row,) = evening.takes.rows()
    assert row.recording
    assert len(evening.take().ticks) > 1000


def test_a_service_or_player_that_dies_leaves_the_take_going(
    evening: Evening, tmp_path: Path
) -> None:
    """The recorder lives in neither. Another player comes back with a begin of its own."""
    evening.do("start")
    evening.run(2000)
    evening.hand_on(whole=True)
    again = Evening(tmp_path)
    again.recorder, again.now = evening.recorder, evening.now
    again.do("start")
    again.run(2000)
    again.stop()
    assert len(again.takes.rows()) == 1
    take = again.take()
    assert [mark["is"] for mark in take.marks].count("begin") == 1, "the first is in the head"
    assert len(take.ticks) == len(wire(evening)) + len(wire(again))


def test_a_night_of_edits_is_not_kept_in_memory(evening: Evening) -> None:
    """What an earlier text was made of is in the file; the next file needs only what plays."""
    evening.do("start")
    kept = []
    for bar in range(140):
        evening.swap(evening.text.replace("tempo: 126", f"tempo: {126 + bar % 2}"))
        evening.bars(1)
        evening.hand_on()
        assert evening.recorder._take is not None
        kept.append(len(evening.recorder._take.origins))
    assert max(kept) <= 2  # the one that plays, and the one that waits for its bar
    evening.stop()
    take = evening.take()
    assert len([mark for mark in take.marks if mark["is"] == "swap"]) == 140


def test_a_full_disk_is_said_once_and_heals(
    evening: Evening, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, full = os.write, True

    def refusing(handle: int, raw: Any) -> int:
        if full and handle == evening.recorder._file:
            write(handle, bytes(raw)[:7])  # some of it still fits
            raise OSError(errno.ENOSPC, "no space left on device")
        return write(handle, raw)

    monkeypatch.setattr(os, "write", refusing)
    evening.waits_for_the_disk = False
    evening.recorder._patience = 0.01
    evening.do("start")
    evening.run(6000)
    turn = evening.recorder._changed
    with turn:
        assert turn.wait_for(lambda: evening.recorder.problem, 30)
    assert evening.recorder.news() == "this take cannot be recorded: no space left on device"
    assert evening.recorder.news() == ""
    full = False
    evening.run(6000)
    evening.written()
    assert evening.recorder.news() == "takes are recorded again"
    evening.stop()
    assert [(p, data) for _, _, p, _, data in evening.take().sent()] == wire(evening)


def test_what_waits_too_long_for_a_disk_is_dropped_and_counted(
    evening: Evening, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder, "ROWS_WAIT", 4000)
    stuck = [True]
    append = evening.recorder._append

    def stalled(job: Any, raw: bytes) -> None:
        if stuck[0]:
            raise OSError(errno.EIO, "input/output error")
        append(job, raw)

    monkeypatch.setattr(evening.recorder, "_append", stalled)
    evening.waits_for_the_disk = False
    evening.recorder._patience = 0.01
    evening.do("start")
    evening.run(40_000)
    stuck[0] = False
    evening.stop()
    take = evening.take()
    rows = len(take.ticks) + len(take.events) + len(take.marks)
    assert take.lost == evening.recorder.lost > 0
    assert take.foot is not None
    assert take.foot["lost"] == take.lost
    everything = Evening(evening.recorder.takes.folder.parent / "other")
    everything.do("start")
    everything.run(40_000)
    everything.stop()
    other = everything.take()
    assert rows + take.lost == len(other.ticks) + len(other.events) + len(other.marks)


def test_a_batch_that_nobody_fetched_in_time_is_counted(
    evening: Evening, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tape, "MOST_ROWS", 1000)
    evening.do("start")
    evening.player.step(evening.now)
    evening.hand_on = lambda whole=False: None  # type: ignore[method-assign]
    evening.run(8_000)
    del evening.hand_on
    assert evening.tape.lost > 0
    evening.stop()
    take = evening.take()
    assert take.foot is not None
    assert take.lost == take.foot["lost"] > 0
    tail = wire(evening)[-len(take.ticks) :]
    assert [(port, data) for _, _, port, _, data in take.sent()] == tail, "the newest stays"


def test_an_hour_keeps_the_share_of_what_may_be_written(tmp_path: Path) -> None:
    """The demo is dense: some 340 messages a second, most of them a step of a glide."""
    evening = Evening(tmp_path)
    evening.do("start")
    evening.run(20_000)
    evening.written()
    evening.recorder.look(evening.now / 1e9)
    spent = evening.spending.of_hour(evening.now / 1e9)
    assert 0 < spent * 180 <= TAKE_BYTES_PER_HOUR + 180 * (OVERHEAD + BLOCK * 8)
    evening.recorder.end(evening.now / 1e9)


def test_a_take_too_long_for_one_file_goes_on_in_another(
    evening: Evening, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder, "FILE_BYTES", 15_000)
    evening.do("start")
    for _ in range(20):
        evening.run(1000)
        evening.written()
    evening.stop()
    evening.written()
    rows = evening.takes.rows()
    assert len(rows) > 1
    sent = [
        (port, data) for row in rows[::-1] for _, _, port, _, data in evening.take(row.id).sent()
    ]
    assert sent == wire(evening)
    assert evening.take(rows[0].id).head["begin"]["continues"] == rows[1].id
