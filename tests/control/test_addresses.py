"""The number that is printed for tablets."""

from __future__ import annotations

import ipaddress
import socket
import subprocess
from dataclasses import replace
from typing import Any

import pytest

from bridge.control import addresses
from bridge.service.app import Service


def test_the_way_out_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(addresses, "outward", lambda: "192.0.2.7")
    monkeypatch.setattr(addresses, "of_interfaces", lambda: ["192.0.2.8"])
    assert addresses.lan_address() == "192.0.2.7"


@pytest.mark.parametrize("outward", [None, "127.0.0.1"])
def test_an_access_point_without_a_way_out_has_an_address_too(
    monkeypatch: pytest.MonkeyPatch, outward: str | None
) -> None:
    monkeypatch.setattr(addresses, "outward", lambda: outward)
    monkeypatch.setattr(addresses, "of_interfaces", lambda: ["192.0.2.8", "192.0.2.9"])
    assert addresses.lan_address() == "192.0.2.8"
    monkeypatch.setattr(addresses, "of_interfaces", list)
    assert addresses.lan_address() == "127.0.0.1"


def test_what_the_system_says_are_own_addresses() -> None:
    for address in [*addresses.of_interfaces(), addresses.outward() or "127.0.0.1"]:
        assert ipaddress.ip_address(address).version == 4
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.bind((address, 0))  # only an own address can be bound


def test_an_independent_program_sees_the_same_interfaces(needs: Any) -> None:
    needs("ip")
    said = subprocess.run(["ip", "-4", "-o", "addr"], capture_output=True, text=True, check=True)
    known = {line.split()[3].partition("/")[0] for line in said.stdout.splitlines()}
    assert set(addresses.of_interfaces()) <= known


def test_the_printed_address_is_a_number(options: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.service.app.lan_address", lambda: "192.0.2.7")
    assert Service(options).address.startswith("http://127.0.0.1:")
    lan = Service(replace(options, lan=True, token="t"))
    assert lan.address.startswith("http://192.0.2.7:")
