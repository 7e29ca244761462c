"""A service that says nothing: one that stands still is given up soon, one that works later."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.patience import until

from bridge.supervisor import service_child
from bridge.supervisor.service_child import ServiceChild, cpu_ticks_asleep


class Stand:
    """A process that is only looked at."""

    pid = 1
    killed = False

    def kill(self) -> None:
        self.killed = True


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    now = [100.0]
    monkeypatch.setattr("bridge.supervisor.service_child.time.monotonic", lambda: now[0])
    return now


@pytest.fixture
def child(clock: list[float]) -> Iterator[ServiceChild]:
    made = ServiceChild({}, {}, lambda text: None, lambda address, code: None)
    stand: Any = Stand()
    made.child = stand
    made._word("ready http://127.0.0.1:8000/")
    yield made
    made.close()


def ended_after(
    child: ServiceChild, clock: list[float], monkeypatch: pytest.MonkeyPatch, work: Any
) -> float:
    """Seconds of silence until it is given up; `work` says what it has worked by then."""
    begin = clock[0]
    monkeypatch.setattr(service_child, "cpu_ticks_asleep", lambda pid: work(clock[0] - begin))
    while not child.look(clock[0]):
        clock[0] += 0.05
    return clock[0] - begin


@pytest.mark.parametrize(
    ("work", "seconds"),
    [
        (lambda s: 7, 2.0),  # stopped, or waits for itself
        (lambda s: int(s * 100), 10.0),  # works
        (lambda s: None, 10.0),  # runs, is to run, or waits for a disk
        (lambda s: int(min(s, 1.8) * 100), 2.3),  # worked, and then stood still
        (lambda s: None if s < 4 else 7, 4.5),
    ],
)
def test_how_long_its_silence_is_borne(
    child: ServiceChild,
    clock: list[float],
    monkeypatch: pytest.MonkeyPatch,
    work: Any,
    seconds: float,
) -> None:
    found = ended_after(child, clock, monkeypatch, work)
    assert seconds - 0.01 <= found <= seconds + 0.11
    stand: Any = child.child
    assert stand.killed


def test_a_sign_of_life_begins_it_anew(
    child: ServiceChild, clock: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service_child, "cpu_ticks_asleep", lambda pid: 7)
    for _ in range(10):
        for _ in range(19):
            clock[0] += 0.1
            assert child.look(clock[0]) == ""
        child._word("alive")
    assert ended_after(child, clock, monkeypatch, lambda s: 7) == pytest.approx(2.0, abs=0.11)


def test_a_pause_of_our_own_is_nobodys_silence(
    child: ServiceChild, clock: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    clock[0] += 30.0
    child.awake(clock[0])
    assert ended_after(child, clock, monkeypatch, lambda s: 7) == pytest.approx(2.0, abs=0.11)


def test_what_a_process_has_worked() -> None:
    """proc(5): one that sleeps or was stopped has a figure, one that runs or is none has not."""
    assert cpu_ticks_asleep(os.getpid()) is None
    with subprocess.Popen(
        [sys.executable, "-c", "print(flush=True); input()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        asyncio.run(until(lambda: cpu_ticks_asleep(other.pid) is not None, "it sleeps"))
        other.send_signal(signal.SIGSTOP)
        stat = Path(f"/proc/{other.pid}/stat")
        asyncio.run(until(lambda: ") T " in stat.read_text(), "it stands"))
        before = cpu_ticks_asleep(other.pid)
        assert before is not None
        assert cpu_ticks_asleep(other.pid) == before
        other.kill()
    assert cpu_ticks_asleep(other.pid) is None
