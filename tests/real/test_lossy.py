"""Two tablets over a bad wireless link: 10 % of all packets lost, up to 100 ms of jitter.

Two network namespaces and a link between them that loses and delays (see support/lossy_link.py);
the service with ``--lan`` in one, the tablets in the other. Limits: requirement of this project
(all views agree within 500 ms). It is held to the median, since no program can keep it always: TCP
sends a lost packet again after its time-out, and doubles that each time (RFC 6298, section 5.5). The
time-out is the smoothed round trip and four times its variation (section 2.3), here 0.1 s and at
least 0.2 s (the smallest that Linux adds), on this link at most 0.4 s together. The fifth repetition
comes 0.4 x (2^5 - 1) s after the first try; that all six are lost happens to one packet in a million.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support.patience import PATIENCE_S

pytestmark = [pytest.mark.real, pytest.mark.timeout(900)]

SUPPORT = Path(__file__).parent.parent / "support"
ROOT = Path(__file__).parent.parent.parent
RIG, TABLETS = f"rig{os.getpid()}", f"tab{os.getpid()}"
ADDRESS, REMOTE = "10.77.0.1", "10.77.0.2"
DELAY_MS, JITTER_MS, LOSS_PCT = 50, 50, 10
BACK_OFF_S = 0.4 * (2**5 - 1)


def ip(*args: str) -> None:
    subprocess.run(["ip", *args], check=True, capture_output=True)


@contextlib.contextmanager
def started(*command: str, **more: Any) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT, **more
    )
    try:
        yield process
    finally:
        process.terminate()
        process.communicate(timeout=PATIENCE_S)


@pytest.fixture
def network(needs: Callable[..., None]) -> Iterator[None]:
    needs("ip", "root")
    if not Path("/dev/net/tun").exists():
        needs("/dev/net/tun")
    made = []
    try:
        for name in (RIG, TABLETS):
            ip("netns", "add", name)
            made.append(name)
            ip("-n", name, "link", "set", "lo", "up")
        link = [str(SUPPORT / "lossy_link.py"), RIG, ADDRESS, TABLETS, REMOTE]
        with started(
            sys.executable, *link, str(DELAY_MS), str(JITTER_MS), str(LOSS_PCT), "7"
        ) as wire:
            assert wire.stdout is not None
            assert wire.stdout.readline() == "wire up\n"
            yield
    finally:
        for name in made:
            ip("netns", "delete", name)


def test_two_tablets_agree_over_a_bad_link(network: None, tmp_path: Path) -> None:
    environment = {**os.environ, "XDG_STATE_HOME": str(tmp_path), "PYTHONUNBUFFERED": "1"}
    inside = [
        "ip",
        "netns",
        "exec",
        RIG,
        sys.executable,
        "-m",
        "bridge.cli",
        "demo",
        "--lan",
        "--port",
        "8420",
        "--osc-port",
        "8421",
    ]
    with started(*inside, env=environment, stderr=subprocess.STDOUT) as rig:
        assert rig.stdout is not None
        token, begin = None, time.monotonic()
        while token is None:
            assert time.monotonic() - begin < 30
            found = re.search(r"\?token=([\w-]+)", rig.stdout.readline())
            token = found[1] if found else None
        answer = subprocess.run(
            [
                "ip",
                "netns",
                "exec",
                TABLETS,
                sys.executable,
                str(SUPPORT / "tablets.py"),
                f"http://{ADDRESS}:8420/",
                token,
            ],
            check=True,
            capture_output=True,
            text=True,
            timeout=300,
        )
    told = json.loads(answer.stdout)
    print(told)
    assert told["first"] == ["state", "state"]
    assert statistics.median(told["one_moves"]) <= 0.5, told
    # The mover is told what stands 300 ms after the finger has left: see `control.ownership`.
    assert statistics.median(told["confirmed"]) <= 0.5 + 0.3, told
    for times in (told["one_moves"], told["confirmed"], told["both_move"]):
        assert max(times) <= BACK_OFF_S, told
    assert told["refused"] > 0  # the second finger was refused, not obeyed
    assert max(told["swings"]) == 0, told  # nothing moves any more once the fingers have left
