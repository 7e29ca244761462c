"""Found by name: two hosts (network namespaces), the program on one, bare multicast DNS on the other
(support/dns_peer.py, by the bytes of RFC 1035)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support.patience import PATIENCE_S

pytestmark = [pytest.mark.real, pytest.mark.timeout(300)]

SUPPORT = Path(__file__).parent.parent / "support"
ROOT = Path(__file__).parent.parent.parent
RIG, PEER = f"dnr{os.getpid()}", f"dnp{os.getpid()}"
FIRST, SECOND, OTHER = "10.79.0.1", "10.79.0.7", "10.79.0.2"
HTTP, OSC = 8420, 8421
# Another rack of the same name, on the other host.
TWIN = """
import asyncio
from bridge.web.discovery import Discovery
asyncio.run(Discovery(lambda: "Quay rack").run(9420, 9421))
"""


def ip(*args: str) -> None:
    subprocess.run(["ip", *args], check=True, capture_output=True)


@pytest.fixture
def network(needs: Callable[..., None]) -> Iterator[None]:
    needs("ip", "root")
    made = []
    try:
        for name in (RIG, PEER):
            ip("netns", "add", name)
            made.append(name)
            ip("-n", name, "link", "set", "lo", "up")
        ip("link", "add", "va", "netns", RIG, "type", "veth", "peer", "name", "vb", "netns", PEER)
        for space, end, address in ((RIG, "va", FIRST), (PEER, "vb", OTHER)):
            ip("-n", space, "address", "add", f"{address}/24", "dev", end)
            ip("-n", space, "link", "set", end, "up")
            ip("-n", space, "route", "add", "default", "dev", end)
        yield
    finally:
        for name in made:
            ip("netns", "delete", name)


def asked(kind: str) -> dict[str, Any]:
    words = ["ip", "netns", "exec", PEER, sys.executable, str(SUPPORT / "dns_peer.py"), kind]
    out = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    found: dict[str, Any] = json.loads(out)
    return found


def until(kind: str, true: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
    end = time.monotonic() + PATIENCE_S
    while not true(found := asked(kind)):
        assert time.monotonic() < end, found
    return found


def test_it_is_found_by_name_and_again_at_a_new_address(network: None, tmp_path: Path) -> None:
    command = ["ip", "netns", "exec", RIG, sys.executable, "-m", "bridge.cli", "demo", "--lan"]
    command += ["--port", str(HTTP), "--osc-port", str(OSC)]
    program = subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        cwd=ROOT,
        env={**os.environ, "XDG_STATE_HOME": str(tmp_path)},
    )
    try:
        http = until("_http._tcp.local", lambda found: bool(found["names"]))
        assert http == {
            "names": ["Lanebridge, Quay rack._http._tcp.local"],
            "ports": [HTTP],
            "addresses": [FIRST],
        }
        with subprocess.Popen(
            ["ip", "netns", "exec", PEER, sys.executable, "-c", TWIN],
            stdin=subprocess.PIPE,
            cwd=ROOT,
        ) as twin:
            both = until("_http._tcp.local", lambda found: len(found["names"]) == 2)
            assert both["names"] == [
                "Lanebridge, Quay rack-2._http._tcp.local",
                "Lanebridge, Quay rack._http._tcp.local",
            ]
            twin.terminate()
        osc = until("_osc._udp.local", lambda found: bool(found["names"]))
        assert osc["ports"] == [OSC]
        ip("-n", RIG, "address", "del", f"{FIRST}/24", "dev", "va")  # its routes go with it
        ip("-n", RIG, "address", "add", f"{SECOND}/24", "dev", "va")
        ip("-n", RIG, "route", "add", "default", "dev", "va")
        until("_http._tcp.local", lambda found: found["addresses"] == [SECOND])
    finally:
        program.terminate()
        program.wait(PATIENCE_S)
    assert asked("_http._tcp.local")["names"] == []
