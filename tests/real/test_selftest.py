"""The self-test of an adapter through a real cable: an output that leads back to an input."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from support import jackd
from support.program import Needs, Record

pytestmark = pytest.mark.real

RIG = """\
rig: Bench
interfaces:
  dry: {profile: eight-gates-four-cv, port: simulated}
  looped: {profile: eight-gates-four-cv, port: "cable:in"}
"""


@contextlib.contextmanager
def cable(env: dict[str, str], lose: int, missed: list[int]) -> Iterator[None]:
    with jackd.peer(env, "jack_cable.py", "cable", str(lose)) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield
        finally:
            process.stdin.close()
            missed.append(int(process.stdout.readline() or 0))


def self_test(folder: Path, lose: int = 0) -> subprocess.CompletedProcess[str]:
    """One self-test in which the machine left the cable out of no cycle; at most four tries."""
    (folder / "rig.yaml").write_text(RIG)
    for _ in range(4):
        missed: list[int] = []
        with jackd.server(f"lbs{os.getpid()}", folder, 512) as env, cable(env, lose, missed):
            run = subprocess.run(
                [
                    sys.executable,
                    "-m",
                    "bridge.cli",
                    "soundcheck",
                    str(folder / "rig.yaml"),
                    "--loop",
                    "cable:out",
                    "--interface",
                    "looped",
                ],
                env=env,
                capture_output=True,
                text=True,
                timeout=60,
                check=False,
            )
        if not any(missed):
            break
    return run


def test_a_good_cable_brings_back_every_message(
    tmp_path: Path, needs: Needs, record_property: Record
) -> None:
    needs("jackd", "python:jack")
    run = self_test(tmp_path)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "sent 1000, came back 1000, lost 0, changed or foreign 0, out of order 0" in run.stdout
    latency = re.search(r"median ([\d.]+) ms.*slowest ([\d.]+) ms", run.stdout)
    assert latency is not None
    record_property("median_ms", latency[1])
    record_property("slowest_ms", latency[2])
    assert float(latency[1]) > 0.0


def test_a_cable_that_loses_messages_is_found_out(tmp_path: Path, needs: Needs) -> None:
    needs("jackd", "python:jack")
    run = self_test(tmp_path, lose=100)
    assert run.returncode == 1
    assert "sent 1000, came back 990, lost 10," in run.stdout
    assert "Do not play with this adapter" in run.stdout
