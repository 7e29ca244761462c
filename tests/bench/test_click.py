"""A host's click against its clock: the offset, and what is no click or no clock."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pytest
from support.drums import RATE

from bridge.bench.click import Grid, hear_clicks
from bridge.listen.audio import Block
from bridge.listen.wrong import ListenError

MS = 1_000_000


def host(
    bpm: float, click_ms: float, *, beats: int = 24, jitter_ms: float = 0.0, every: int = 24
) -> tuple[list[tuple[int, bytes]], list[float]]:
    """What a host sends and clicks: Start, clocks, and a click `click_ms` after each beat (or
    after every so many clocks)."""
    chance = np.random.default_rng(5)
    period = 60e9 / bpm / 24
    begin = 1_000 * MS
    midi = [(begin - 5 * MS, b"\xfa")]
    for i in range(beats * 24):
        late = abs(chance.normal(0.0, jitter_ms)) * MS
        midi.append((round(begin + i * period + late), b"\xf8"))
    midi.sort()
    clicks = [begin + i * period + click_ms * MS for i in range(0, beats * 24, every)]
    return midi, clicks


@pytest.mark.parametrize("click_ms", [-30.0, 0.0, 4.3, 60.0])
@pytest.mark.parametrize("bpm", [90.0, 120.0, 174.0])
def test_the_offset_puts_the_rack_on_the_hosts_click(bpm: float, click_ms: float) -> None:
    grid = Grid("Recorder", 0)
    midi, clicks = host(bpm, click_ms)
    grid.take(midi, clicks)
    # A voice that is 2.5 ms late must be sent 2.5 ms before the click.
    assert grid.offset_ms(2.5) == pytest.approx(click_ms - 2.5, abs=0.15)


def test_a_jittery_clock_gives_the_same() -> None:
    grid = Grid("Recorder", 0)
    midi, clicks = host(120.0, 10.0, beats=48, jitter_ms=1.0)
    grid.take(midi, clicks)
    assert grid.offset_ms(0.0) == pytest.approx(10.0, abs=0.7)


def test_what_is_no_click_or_no_clock_is_said() -> None:
    midi, clicks = host(120.0, 5.0)

    def told(midi: list[tuple[int, bytes]], clicks: list[float]) -> str:
        grid = Grid("Recorder", 0)
        grid.take(midi, clicks)
        with pytest.raises(ValueError) as error:  # noqa: PT011 - the words are asserted below
            grid.offset_ms(0.0)
        return str(error.value)

    assert "no clock came from Recorder" in told([], clicks)
    assert "no Start: begin with the host stopped" in told(midi[1:], clicks)
    assert "only 0 clicks were heard" in told(midi, [])
    chance = np.random.default_rng(2)
    hum = [float(at) for at in 2e9 + np.sort(chance.uniform(0, 9e9, 80))]
    assert "does not keep time" in told(midi, hum)
    slow_midi, slow = host(40.0, 130.0)
    assert "more than an offset may be" in told(slow_midi, slow)


@pytest.mark.parametrize("at", [5, 30, 60])
@pytest.mark.parametrize("twice", [False, True])
def test_a_clock_that_was_lost_or_came_twice_makes_no_offset(at: int, twice: bool) -> None:
    """It would be one clock off (20.8 ms at 120), which is worse than none. Late ones are counted."""
    midi, clicks = host(120.0, 20.0, beats=20, jitter_ms=1.0)
    late = [(ns + 60 * MS if at <= n < at + 3 else ns, data) for n, (ns, data) in enumerate(midi)]
    for made, refused in (
        (midi[:at] + ([midi[at]] * 2 if twice else []) + midi[at + 1 :], True),
        (sorted(late), False),
        (midi, False),
    ):
        grid = Grid("Recorder", 0)
        grid.take(made, clicks)
        if refused:
            with pytest.raises(ValueError, match="one clock off: try again"):
                grid.offset_ms(0.0)
        else:
            assert grid.offset_ms(0.0) == pytest.approx(20.0, abs=0.7)


class LossyEar:
    """A tenth of a second of noise over and over; one is lost each so many seconds."""

    name, rate = "clicks", RATE

    def __init__(self, lost_s: float) -> None:
        self.lost = lost_s

    def blocks(self) -> Iterator[Block]:
        noise = np.random.default_rng(1).normal(0.0, 1e-3, 4800).astype(np.float32)
        for number in itertools.count():
            if number % round(self.lost * 10):
                yield Block(4800 * number, number * 100 * MS, noise)

    def close(self) -> None:
        """Nothing is held."""


def test_a_click_of_which_samples_are_lost_again_and_again_makes_no_offset() -> None:
    """The times after a gap are not sure at once: a wrong offset is worse than none."""
    whole = Grid("Recorder", 0)
    whole.take(host(120.0, 5.0)[0], hear_clicks(LossyEar(60.0), 6.0, 0))
    assert whole.clocks > 500
    with pytest.raises(ListenError) as error:
        hear_clicks(LossyEar(2.5), 6.0, 0)
    assert error.value.kind == "lost"


def test_a_gap_leaves_aside_only_what_comes_for_a_while_after_it() -> None:
    """Clicks of a host, ten milliseconds of them lost: those of the next seconds are not counted, for
    the times of samples are not sure there."""
    begin = 1_000 * MS
    midi, clicks = host(120.0, 5.0, beats=40)
    line = np.random.default_rng(1).normal(0.0, 1e-3, round(21 * RATE)).astype(np.float32)
    for at in clicks:
        place = round(at * RATE / 1e9)
        line[place : place + 200] += 0.4

    class Ear:
        name, rate = "clicks", RATE

        def __init__(self) -> None:
            # Its own time is wrong by 5 ms for a while once samples were lost.
            self.rows = iter(range(0, len(line), 480))

        def blocks(self) -> Iterator[Block]:
            for first in self.rows:
                if first == 4 * 48000:
                    continue
                wrong_ns = 5 * MS if 4.0 < first / RATE < 6.5 else 0
                ns = round(first * 1e9 / RATE) - wrong_ns
                yield Block(first, ns, line[first : first + 480])

        def close(self) -> None:
            """Nothing is held."""

    heard = hear_clicks(Ear(), 10.0, begin)
    assert 15 < len(heard) < 24
    assert not [at for at in heard if 4.0 < at / 1e9 < 6.9]
    grid = Grid("Recorder", 0)
    grid.take(midi, heard)
    assert max(abs(ms - 5.0) for ms in grid.away_ms) < 0.3
