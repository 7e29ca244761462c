"""One gate struck, one input listened to: how late, how loud, and when nothing can be told."""

from __future__ import annotations

import numpy as np
import pytest
from support.drums import RATE, Drum
from support.earshot import Earshot

from bridge.bench.hearing import Hearing, Hit, Struck
from bridge.listen.sound import Sound
from bridge.listen.wrong import ListenError

CLICK = Drum("click", 2500.0, 12.0, 0.3)
GATE = "main.gate-1"


def hearing(world: Earshot) -> Hearing:
    return Hearing(world.ear, world)


@pytest.mark.parametrize("latency_ms", [0.0, 0.7, 3.3, 12.0, 120.0])
def test_a_voice_is_as_late_as_it_is(latency_ms: float) -> None:
    world = Earshot({GATE: Drum("click", 2500.0, 12.0, 0.3, latency_ms)})
    struck = hearing(world).strike(GATE, 0.3, 5)
    assert struck.heard
    assert struck.late_ms == pytest.approx(latency_ms, abs=0.05)
    assert struck.spread_ms <= 0.1
    assert struck.sound.level_db == pytest.approx(20 * np.log10(0.3), abs=1.0)


def test_every_opening_is_closed_again() -> None:
    world = Earshot({GATE: CLICK})
    hearing(world).strike(GATE, 0.3, 2)
    assert world.moves == [(GATE, "open", 0.3), (GATE, "close", 0.0)] * 2


def test_a_voice_that_rings_is_waited_for() -> None:
    """Twice as long as a hit is listened to; the next one is not lost in it."""
    world = Earshot({GATE: Drum("bell", 550.0, 1500.0, 0.3, 4.0)})
    struck = hearing(world).strike(GATE, 0.3, 3)
    assert len(struck.hits) == 3
    assert struck.late_ms == pytest.approx(4.0, abs=0.1)


def test_a_dead_cable_is_not_heard() -> None:
    struck = hearing(Earshot({GATE: None})).strike(GATE, 0.3, 3)
    assert (struck.heard, struck.stray, struck.sent) == (False, False, 3)


def test_the_input_is_muted_clips_or_goes_away() -> None:
    muted = Earshot({GATE: CLICK})
    muted.gain = 0.0
    clipped = Earshot({GATE: Drum("kick", 50.0, 400.0, 0.5)})
    clipped.gain = 3.0
    gone = Earshot({GATE: CLICK})
    gone.dead_after_s = 1.0
    for world, kind in ((muted, "muted"), (clipped, "clipping"), (gone, "gone")):
        with pytest.raises(ListenError) as error:
            hearing(world).strike(GATE, 0.3, 3)
        assert error.value.kind == kind
        opened = [move for move in world.moves if move[1] == "open"]
        assert len([move for move in world.moves if move[1] == "close"]) == len(opened)


def test_lost_samples_are_not_taken_for_silence() -> None:
    """Blocks of 5 ms are lost: a hit that has a gap is struck again, and if that goes on, said."""
    world = Earshot({GATE: CLICK})
    world.loses = lambda block: block in (60, 260)
    struck = hearing(world).strike(GATE, 0.3, 3)
    assert len(struck.hits) == 3
    assert struck.late_ms == pytest.approx(0.0, abs=0.05)
    assert len([move for move in world.moves if move[1] == "open"]) > 3
    world.loses = lambda block: block % 40 == 0
    with pytest.raises(ListenError) as error:
        hearing(world).strike(GATE, 0.3, 3)
    assert error.value.kind == "lost"


def test_sounds_that_do_not_go_with_the_hits_are_strays() -> None:
    sound = Sound(-12.0, (-10.0,) * 10, 500.0, 50.0)
    hits = tuple(Hit(late, sound) for late in (20.0, 180.0, 400.0))
    struck = Struck(0.3, 3, hits)
    assert struck.stray
    assert not struck.heard
    near = Struck(0.3, 3, tuple(Hit(late, sound) for late in (2.0, 2.4)))
    assert near.heard
    assert near.spread_ms == pytest.approx(0.4)
    assert not Struck(0.3, 3, near.hits[:1]).heard


def test_the_spread_leaves_out_the_odd_one_of_many() -> None:
    sound = Sound(-12.0, (-10.0,) * 10, 500.0, 50.0)
    late = [5.0] * 18 + [1.0, 30.0]
    assert Struck(0.3, 20, tuple(Hit(ms, sound) for ms in late)).spread_ms == 0.0


def test_a_median_of_spread_hits_is_less_sure_and_of_more_of_them_surer() -> None:
    """Against the scatter of the medians of many seeded series, within a fifth."""
    sound = Sound(-12.0, (-10.0,) * 10, 500.0, 50.0)
    chance = np.random.default_rng(1)
    for count in (12, 48):
        series = chance.normal(5.0, 1.0, (800, count))
        told = [Struck(0.3, count, tuple(Hit(ms, sound) for ms in row)).unsure_ms for row in series]
        assert np.mean(told) == pytest.approx(np.std(np.median(series, axis=1)), rel=0.2)
    one, more = Struck(0.3, 2, (Hit(4.0, sound),)), Struck(0.3, 1, (Hit(6.0, sound),))
    assert one.unsure_ms == 0.0
    assert (one + more).late_ms == 5.0
    assert (one + more).sent == 3


def test_a_message_within_a_block_is_placed_to_the_sample() -> None:
    world = Earshot({GATE: CLICK})
    ears = hearing(world)
    ears.listen_to_room()
    world.wait(0.301 + 7 / RATE)
    assert ears.strike(GATE, 0.3, 1).late_ms == pytest.approx(0.0, abs=0.05)


def waiting(period_ms: float, late_ms: float, seed: int, jitter_ms: float = 0.01) -> Struck:
    """Twelve hits whose messages wait for the next period of a server, and whose sound comes back in
    its blocks. Near a boundary a message may miss the block that it seems to catch."""
    chance = np.random.default_rng(seed)
    sound = Sound(-12.0, (-10.0,) * 10, 500.0, 50.0)
    hits = []
    for to_block in chance.uniform(0.0, period_ms, 12):
        missed = to_block < 0.1
        wait = to_block + (period_ms if missed else 0.0)
        late = late_ms + wait + float(chance.normal(0.0, jitter_ms))
        hits.append(Hit(late, sound, float(to_block)))
    return Struck(0.3, 12, tuple(hits), period_ms)


@pytest.mark.parametrize("period_ms", [64 / 48, 128 / 48, 256 / 48, 1024 / 48])
@pytest.mark.parametrize("late_ms", [0.0, 2.0, 13.7])
def test_messages_that_wait_for_a_period_count_as_if_each_waited_for_half_of_it(
    period_ms: float, late_ms: float
) -> None:
    """The wait is uniform over a period, so half of it is its mean; the rest is the voice's own."""
    for seed in range(8):
        struck = waiting(period_ms, late_ms, seed)
        assert struck.waits_ms == period_ms
        assert struck.late_ms == pytest.approx(late_ms + period_ms / 2, abs=0.03)
        assert struck.spread_ms < 0.06
        assert struck.heard


def test_hits_that_wait_for_no_period_are_taken_as_they_are() -> None:
    """Blocks of the input that have nothing to do with the messages, and few hits."""
    chance = np.random.default_rng(3)
    sound = Sound(-12.0, (-10.0,) * 10, 500.0, 50.0)
    for spread in (0.02, 0.5, 3.0):
        late = 8.0 + chance.uniform(0.0, spread, 12)
        to_block = chance.uniform(0.0, 5.33, 12)
        hits = tuple(Hit(float(a), sound, float(b)) for a, b in zip(late, to_block, strict=True))
        struck = Struck(0.3, 12, hits, 5.33)
        assert struck.waits_ms == 0.0
        assert struck.late_ms == pytest.approx(float(np.median(late)))
    few = waiting(5.33, 2.0, 1)
    few = Struck(0.3, 3, few.hits[:3], 5.33)
    assert few.waits_ms == 0.0
    assert (few + Struck(0.3, 1, few.hits[:1], 2.7)).block_ms == 0.0


def test_strikes_come_at_all_times_of_any_period() -> None:
    """A rack that answers at once, on an input of blocks: struck at the same place of each, a wait for
    a period would look like the voice's own."""
    world = Earshot({GATE: CLICK})
    opened: list[int] = []
    strike = world.open

    def noted(output: str, level: float) -> int:
        opened.append(world.now_ns())
        return strike(output, level)

    world.open = noted  # type: ignore[method-assign]
    hearing(world).strike(GATE, 0.3, 12)
    for period_ms in (1.33, 2.67, 5.33, 10.67):
        places = sorted(ns / 1e6 % period_ms / period_ms for ns in opened)
        gaps = np.diff([*places, places[0] + 1.0])
        assert max(gaps) < 0.4
