"""DNS-SD: what is announced, and when (the network itself: tests/real/test_discovery.py)."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.patience import until

from bridge.service.__main__ import parse
from bridge.service.app import Service
from bridge.web.discovery import HTTP_TYPE, LABEL_BYTES_MAX, LOOK_S, Discovery, instance_name

PROBE_AND_ANNOUNCE_S = (
    0.75 + 1.0 + 0.25
)  # RFC 6762, sections 8.1 and 8.3; and up to 0.25 s of chance


class FakeNetwork(Discovery):
    """Notes what is begun and ended instead of doing it."""

    def __init__(self, addresses: list[str], *, fails: int = 0) -> None:
        super().__init__(lambda: "Quay rack", addresses=lambda: addresses, look_s=0.0)
        self.said: list[str] = []
        self._fails = fails

    async def _begin(self, addresses: list[str], http_port: int, osc_port: int) -> bool:
        self._fails -= 1
        self.said.append(f"{' '.join(addresses)} {http_port} {osc_port}")
        return self._fails < 0

    async def _end(self) -> None:
        self.said.append("end")


@pytest.fixture
def options_given(tmp_path: Path) -> dict[str, object]:
    return {"rig": "r.yaml", "set": "s.yaml", "socket": str(tmp_path / "s")}


def test_nothing_is_announced_without_lan(
    options_given: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LANEBRIDGE_TOKEN", "cXVheS1yYWNrLWxvdy10aWRl")
    assert not parse([json.dumps(options_given)]).announce
    assert parse([json.dumps({**options_given, "lan": True})]).announce


async def test_only_a_service_that_shall_announce_does(
    options: Any, player: Any, running: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[tuple[int, int]] = []

    async def run(self: Discovery, http_port: int, osc_port: int) -> None:
        begun.append((http_port, osc_port))

    monkeypatch.setattr(Discovery, "run", run)
    async with running(Service(options)):
        pass
    assert begun == []
    async with running(Service(replace(options, announce=True))) as service:
        await until(lambda: begun == [(service.http_port, service.osc_port)])


async def test_it_is_announced_again_when_addresses_change_or_it_has_failed() -> None:
    addresses = ["192.0.2.7"]
    network = FakeNetwork(addresses, fails=2)
    task = asyncio.create_task(network.run(8420, 8421))
    await until(lambda: len(network.said) >= 6)
    addresses[:] = ["192.0.2.9", "192.0.2.8"]  # their order is no news
    await until(lambda: network.said[-1] != "192.0.2.7 8420 8421")
    await until(lambda: network.said[-1] == "192.0.2.8 192.0.2.9 8420 8421")
    addresses.reverse()
    for _ in range(20):
        await asyncio.sleep(0)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    first = ["end", "192.0.2.7 8420 8421"]
    assert network.said == [*first * 3, "end", "192.0.2.8 192.0.2.9 8420 8421", "end"]


def test_a_change_is_known_within_ten_seconds() -> None:
    assert LOOK_S + PROBE_AND_ANNOUNCE_S < 10


@given(st.text())
def test_a_name_is_a_label_with_room_for_a_number(rig: str) -> None:
    """RFC 1035, section 2.3.4: at most 63 octets; RFC 6763, section 4.1.1: UTF-8, no control
    characters."""
    name = instance_name(rig)
    assert len(name.encode()) <= LABEL_BYTES_MAX - 4
    assert name.startswith("Lanebridge")
    assert name.isprintable()


def test_the_type_is_one_of_the_standard() -> None:
    assert HTTP_TYPE == "_http._tcp.local."  # RFC 6763, section 7
