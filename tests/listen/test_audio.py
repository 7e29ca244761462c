"""Pieces of sound cut out of a run of blocks."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pytest
from support.feed import Feed

from bridge.listen.audio import Block, Samples, gather
from bridge.listen.wrong import ListenError

RATE = 48000.0


class Ear:
    """An input that brings these blocks and no more."""

    name, rate = "bay in", RATE

    def __init__(self, blocks: Iterator[Block]) -> None:
        self._blocks = blocks

    def blocks(self) -> Iterator[Block]:
        return self._blocks

    def close(self) -> None:
        """Nothing is held."""


def numbered() -> Feed:
    """A feed whose every sample is its own number, so that a piece shows where it was cut."""
    count = 0

    def render(n: int) -> Samples:
        nonlocal count
        made = np.arange(count, count + n, dtype=np.float32)
        count += n
        return made

    return Feed(render, RATE, 100)


@pytest.mark.parametrize("since_ms", [0.0, 1.0, 33.3, 250.0])
@pytest.mark.parametrize("seconds", [0.001, 0.05, 0.3])
def test_a_piece_begins_at_the_first_sample_that_is_not_too_old(
    since_ms: float, seconds: float
) -> None:
    take = gather(numbered(), round(since_ms * 1e6), seconds)
    first = round(since_ms * 48.0 + 0.4999)
    assert take.samples[0] == first
    assert len(take.samples) == round(seconds * RATE)
    assert np.all(np.diff(take.samples) == 1.0)
    assert take.ns == pytest.approx(first * 1e9 / RATE, abs=1)


def test_a_gap_begins_the_piece_anew() -> None:
    def blocks() -> Iterator[Block]:
        for number in [0, 1, 2, 5, 6, 7, 8, 9]:
            first = number * 100
            yield Block(first, round(first * 1e9 / RATE), np.full(100, number, np.float32))

    take = gather(Ear(blocks()), 0, 450 / RATE)
    assert sorted(set(take.samples)) == [5, 6, 7, 8, 9]
    assert take.ns == pytest.approx(500 * 1e9 / RATE, abs=1)


def test_an_input_that_has_ended_is_gone() -> None:
    with pytest.raises(ListenError, match="bay in brings no more sound") as error:
        gather(Ear(iter([Block(0, 0, np.ones(10, np.float32))])), 0, 1.0)
    assert error.value.kind == "gone"


def test_time_passes_with_nobody_listening() -> None:
    feed = numbered()
    feed.pass_by(0.5)
    assert next(feed.blocks()).samples[0] == 24000


@pytest.mark.parametrize(
    "every_ns", [200 * 1e9 / RATE, 0.0], ids=["samples are lost", "its time stands still"]
)
def test_no_piece_is_waited_for_for_ever(every_ns: float) -> None:
    """Each second block is lost; or no block is ever new enough, by the input's own account."""
    given = 0

    def blocks() -> Iterator[Block]:
        nonlocal given
        for given in itertools.count():
            yield Block(200 * given, round(given * every_ns), np.zeros(100, np.float32))

    with pytest.raises(ListenError, match="samples of bay in are lost again and again") as error:
        gather(Ear(blocks()), 10_000_000, 0.5)
    assert error.value.kind == "lost"
    assert 1 < given * 100 / RATE < 20.0
