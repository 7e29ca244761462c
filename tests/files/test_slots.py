"""Bytes that outlive their writer, and a writer that is killed halfway."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from bridge.files.slots import MOST_BYTES, Slots, make_handle


def test_what_was_written_last_is_read_by_whoever_comes_next() -> None:
    handle = make_handle()
    assert Slots(handle).read() is None
    for number in range(5):
        Slots(handle).write(b"x" * (100 - number))
        assert Slots(handle).read() == b"x" * (100 - number)
    with pytest.raises(ValueError, match="more than"):
        Slots(handle).write(bytes(MOST_BYTES + 1))
    assert Slots(handle).read() == b"x" * 96
    os.close(handle)


def ended_at(step: int) -> Callable[[int, bytes, int], int]:
    """A pwrite that ends the process at a step, and else writes as little as POSIX allows."""
    left, real = [step], os.pwrite

    def pwrite(handle: int, data: bytes, at: int) -> int:
        if not left[0]:
            os._exit(1)
        left[0] -= 1
        return real(handle, bytes(data[:7]) if len(data) < 48 else data, at)

    return pwrite


def test_a_writer_killed_before_any_step_leaves_old_or_new() -> None:
    handle = make_handle()
    Slots(handle).write(b"older")
    Slots(handle).write(b"old")
    step = 0
    while True:
        child = os.fork()
        if not child:
            slots = Slots(handle)
            os.pwrite = ended_at(step)  # type: ignore[assignment]
            slots.write(b"a longer text that takes some steps")
            os._exit(0)
        killed = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        found = Slots(handle).read()
        if not killed:
            break
        assert found == b"old"
        step += 1
    assert step > 5
    os.close(handle)
