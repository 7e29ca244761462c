"""Lines from a child's pipe."""

from __future__ import annotations

import os

from bridge.supervisor.lines import LONGEST, Lines


def made() -> tuple[Lines, int, list[str]]:
    read, write = os.pipe()
    got: list[str] = []
    return Lines(os.fdopen(read, "rb", buffering=0), got.append), write, got


def test_whole_lines_are_given_out_and_nothing_is_waited_for() -> None:
    lines, write, got = made()
    assert not lines.read()
    os.write(write, b"one\ntwo\nthr")
    lines.read()
    assert got == ["one", "two"]
    os.write(write, "eé\n".encode())
    os.close(write)
    lines.close()
    assert got == ["one", "two", "threé"]
    assert lines.ended


def test_the_rest_without_an_end_of_line_is_told_at_the_end() -> None:
    lines, write, got = made()
    os.write(write, b"last words")
    lines.close()  # though somebody still holds the other end
    assert got == []
    os.close(write)
    lines, write, got = made()
    os.write(write, b"last words")
    os.close(write)
    lines.close()
    assert got == ["last words"]


def test_a_line_that_does_not_end_is_cut() -> None:
    lines, write, got = made()
    for _ in range(LONGEST // 4096 + 2):
        os.write(write, b"x" * 4096)
        lines.read()
    assert got
    assert max(map(len, got)) <= LONGEST + (64 << 10)
    os.close(write)
    lines.close()
