"""How long audio blocks are, from gaps between stamps worked out by hand."""

from __future__ import annotations

from itertools import pairwise

import pytest

from bridge.clock.blocks import Blocks, length_of, misfits, nearest

MS = 1_000_000
BLOCK = 10_666_667  # 512 frames at 48 kHz, in ns


def test_the_block_sizes_of_sound_hardware_are_known_by_their_length() -> None:
    """1024 frames: 21.33 ms at 48 kHz, 23.22 ms at 44.1 kHz."""
    assert nearest(21_333_333) == (1024, 48_000)
    assert nearest(23_219_955) == (1024, 44_100)
    assert nearest(22_000_000) is None


def test_two_heaps_one_block_apart_are_a_block() -> None:
    """A clock of 125 bpm, 20 ms, in blocks of 10.67 ms: mostly two blocks, now and then one."""
    gaps = [2 * BLOCK] * 7 + [BLOCK] + [2 * BLOCK] * 7 + [BLOCK] + [2 * BLOCK] * 7 + [BLOCK]
    assert length_of(gaps) == pytest.approx(BLOCK, rel=0.001)
    assert misfits(gaps, BLOCK) == 0
    assert misfits([15 * MS, 2 * BLOCK], BLOCK) == 1


@pytest.mark.parametrize(
    "gaps",
    [
        [20 * MS] * 60,  # even: one block, two, or none
        [20 * MS] * 30 + [10 * MS] * 30,  # a tempo that doubles
        [20 * MS] * 30 + [300 * MS] + [0] * 14 + [20 * MS] * 10,  # a pause and what was owed
        [0] * 28 + [8 * MS],  # only the end of a bunch
        [0] * 6 + [20 * MS] * 26,
    ],
)
def test_what_proves_no_block(gaps: list[int]) -> None:
    assert length_of(gaps) == 0


def test_two_clocks_at_once_in_one_block_are_a_block_too() -> None:
    """A clock of 8 ms in blocks of 21.33 ms: two or three at once."""
    times = [number * 8 * MS for number in range(100)]
    block = 21_333_333
    stamps = [-(-t // block) * block for t in times]
    gaps = [b - a for a, b in pairwise(stamps)]
    assert length_of(gaps) == pytest.approx(block, rel=0.001)


def test_the_watcher_says_when_the_length_is_another() -> None:
    blocks = Blocks()
    block = 21_333_333
    said = [blocks.take(-(-(number * 17 * MS) // block) * block + MS) for number in range(80)]
    assert said.count(True) == 1
    assert blocks.known == (1024, 48_000)
