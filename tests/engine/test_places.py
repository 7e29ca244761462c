"""Going to a place in the song: short where it was played, in slices where it was not."""

from __future__ import annotations

import pickle
from functools import partial

import pytest
from support.desk import BAR, STEP, Desk, gate_lane, score_of
from support.states import process_about

from bridge.music.model import Lane, Note, Notes
from bridge.player.pieces import COUNTED_BARS
from bridge.player.report import Report

LANES = (
    gate_lane("kick", "x..x..x."),
    Lane(
        "tune", Notes(tuple(Note(36.0 + n) for n in range(7))), advance="kick", out="main.pitch-1"
    ),
)
SCORE = score_of(*LANES)


def pitches(desk: Desk, since: float) -> list[bytes]:
    """Every pitch message (first of its pair) later than `since` ms."""
    return [data for ms, data in desk.of_status(0xB0) if data[1] in (16, 48) and ms > since]


def straight(bars: float) -> Desk:
    desk = Desk(SCORE)
    desk.start()
    desk.run_to(bars * BAR)
    return desk


def test_a_far_position_is_reached_in_slices_while_stopped() -> None:
    desk = Desk(SCORE)
    desk.run(10)
    desk.do("position", tick=400 * BAR)
    assert desk.player.part.seeking
    slices = 0
    while desk.player.part.seeking:
        begin = desk.player.part.renderer.position
        desk.now = desk.player.step(desk.now)
        assert desk.player.part.renderer.position - begin <= COUNTED_BARS * BAR
        slices += 1
    assert slices >= 400 // COUNTED_BARS
    desk.do("continue")
    desk.zero = desk.player.song.time_of(400 * BAR)
    desk.run_to(402 * BAR - 1)
    assert len(desk.ons()) == 12
    far = straight(402)
    assert pitches(desk, 10) == pitches(far, 400 * 2000 + 10)[: len(pitches(desk, 10))]


def test_continue_does_not_wait_for_the_slices() -> None:
    desk = Desk(SCORE)
    desk.do("position", tick=40 * BAR)
    desk.do("continue")
    assert not desk.player.part.seeking
    desk.zero = desk.player.song.time_of(40 * BAR)
    desk.run_to(41 * BAR)
    assert desk.ons()[0] == pytest.approx(0.0, abs=1e-4)


def test_stop_after_an_hour_goes_back_only_to_what_is_remembered() -> None:
    desk = straight(3)
    desk.player.part.seek(1800 * BAR)  # an hour at 120
    desk.do("start")
    desk.do("position", tick=1801 * BAR)
    desk.run(5000)
    played: list[int] = []
    renderer = desk.player.part.renderer
    advance = renderer.seek

    def seek(tick: int, goal: int | None = None) -> None:
        played.append(abs(tick - renderer.position))
        advance(tick, goal)

    renderer.seek = seek  # type: ignore[method-assign]
    desk.do("stop")
    desk.run(50)
    assert played
    assert len(played) == 1, "one step is enough"


def test_another_player_goes_on_from_a_remembered_place_with_the_same_melody() -> None:
    old = straight(21.3)
    memory = pickle.loads(pickle.dumps(old.player.part.renderer.memory))
    snapshot = Report(old.player, process_about()).full(old.now)
    new = Desk(SCORE, now=old.now)
    new.zero = old.zero
    rewound: list[int] = []
    new.player.part.renderer.rewind = lambda: rewound.append(1)  # type: ignore[method-assign]
    new.player.resume(snapshot, lambda: new.now, memory)
    assert not rewound
    old.run(4000)
    new.run(4000)
    since = (new.now - new.zero) / 1e6 - 3500
    assert pitches(new, since) == pitches(old, since)
    assert [on for on in new.ons() if on > since] == [on for on in old.ons() if on > since]


def test_a_memory_of_no_use_is_passed_over() -> None:
    old = straight(9.5)
    snapshot = Report(old.player, process_about()).full(old.now)
    for memory in (None, "nonsense", 7):
        new = Desk(SCORE, now=old.now)
        new.player.resume(snapshot, partial(getattr, new, "now"), memory)
        assert new.player.part.rendered == pytest.approx(9.5 * BAR, abs=STEP)


def test_what_is_remembered_does_not_grow_with_the_length_of_the_night() -> None:
    part = Desk(SCORE).player.part
    sizes = []
    for bar in (150, 900):
        part.seek(bar * BAR)
        sizes.append(len(pickle.dumps(part.renderer.memory)))
    assert sizes[1] < sizes[0] * 2.5
