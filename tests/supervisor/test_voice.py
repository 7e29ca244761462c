"""Lines that never raise and never block; POSIX write(2): EPIPE without a reader, ENOSPC when full,
a wait on a full pipe."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import re
import subprocess
import sys
import threading

from support.patience import PATIENCE_S

from bridge.service.logs import Handler
from bridge.supervisor.voice import LINES_MOST, Log, Voice


def stuck() -> tuple[int, int, int]:
    """A pipe that is full: both ends, and how many bytes are in it."""
    read, write = os.pipe()
    os.set_blocking(write, False)
    full = 0
    with contextlib.suppress(BlockingIOError):
        while True:
            full += os.write(write, b"x" * 1024)
    os.set_blocking(write, True)
    return read, write, full


def read_lines(handle: int, skip: int, until: str) -> list[str]:
    with os.fdopen(handle, "rb") as file:
        file.read(skip)
        found: list[str] = []
        for line in file:
            found.append(line.decode().rstrip("\n"))
            if found[-1] == until:
                break
    return found


def test_lines_arrive_in_order() -> None:
    read, write = os.pipe()
    voice = Voice(write)
    for number in range(50):
        voice.line(f"line {number}")
    voice.close(PATIENCE_S)
    assert read_lines(read, 0, "line 49") == [f"line {number}" for number in range(50)]
    os.close(write)


def test_a_stuck_reader_holds_nobody_up_and_is_told_what_it_missed() -> None:
    read, write, full = stuck()
    voice = Voice(write)
    for number in range(2 * LINES_MOST):
        voice.line(f"line {number}")
    voice.close(0.01)  # gives up waiting
    missed = voice.left_out
    assert LINES_MOST - 2 <= missed <= LINES_MOST
    reader: list[list[str]] = []
    thread = threading.Thread(target=lambda: reader.append(read_lines(read, full, "the last")))
    thread.start()
    voice.close(PATIENCE_S)
    voice.line("the last")
    thread.join(PATIENCE_S)
    # It may be told in two pieces: the line that was under way when the reader came knows the first.
    said = [re.fullmatch(r"\((\d+) lines before this could not be written\)", t) for t in reader[0]]
    assert sum(int(found[1]) for found in said if found) == missed
    assert voice.left_out == 0
    os.close(write)


def test_no_reader_and_a_full_disk_raise_nothing_and_are_counted() -> None:
    read, write = os.pipe()
    os.close(read)
    for handle in (write, os.open("/dev/full", os.O_WRONLY)):
        voice = Voice(handle)
        voice.line("lost")
        voice.close(PATIENCE_S)
        assert voice.left_out == 1
        os.close(handle)


def test_what_the_stream_cannot_say_is_escaped() -> None:
    read, write = os.pipe()
    voice = Voice(write, "ascii")
    voice.line("größe")
    voice.line("end")
    assert read_lines(read, 0, "end") == ["gr\\xf6\\xdfe", "end"]
    os.close(write)


def test_one_object_a_line_with_its_level() -> None:
    read, write = os.pipe()
    voice = Voice(write)
    logger = logging.Logger("x")
    logger.addHandler(Handler(Log("service", voice, as_json=True)))
    logger.info("all %s", "well")
    logger.warning("hm")
    logger.error("oh\nno")
    logger.error("%d", "no number")  # what cannot be made is left out
    voice.line("end")
    rows = [json.loads(line) for line in read_lines(read, 0, "end")[:-1]]
    assert [(row["level"], row["text"]) for row in rows] == [
        ("info", "all well"),
        ("warning", "hm"),
        ("error", "oh\nno"),
    ]
    assert {row["from"] for row in rows} == {"service"}
    os.close(write)


def test_closed_handles_are_taken_by_nothing_else() -> None:
    code = (
        "import os, socket\n"
        "for handle in (1, 2): os.close(handle)\n"
        "from bridge.supervisor.voice import hold_standard_handles\n"
        "hold_standard_handles()\n"
        "with socket.socket() as one: raise SystemExit(0 if one.fileno() > 2 else 1)\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
