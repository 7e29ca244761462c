"""A port that is taken is said before the player is started."""

from __future__ import annotations

import socket
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import BridgeError
from bridge.supervisor import supervise
from bridge.supervisor.free_ports import try_network_ports

HERE = "127.0.0.1"


def taken(kind: socket.SocketKind) -> socket.socket:
    sock = socket.socket(socket.AF_INET, kind)
    sock.bind((HERE, 0))
    if kind == socket.SOCK_STREAM:
        sock.listen(1)
    return sock


def test_free_ports_are_free_again_afterwards() -> None:
    with taken(socket.SOCK_STREAM) as tcp, taken(socket.SOCK_DGRAM) as udp:
        http, osc = tcp.getsockname()[1], udp.getsockname()[1]
    try_network_ports(HERE, http, osc)
    try_network_ports(HERE, http, osc)
    try_network_ports(HERE, 0, 0)


def test_each_port_that_is_taken_is_named_with_the_option_that_changes_it() -> None:
    with taken(socket.SOCK_STREAM) as tcp, taken(socket.SOCK_DGRAM) as udp:
        http, osc = tcp.getsockname()[1], udp.getsockname()[1]
        with pytest.raises(BridgeError) as both:
            try_network_ports(HERE, http, osc)
        with pytest.raises(BridgeError) as one:
            try_network_ports(HERE, 0, osc)
    first, second = str(both.value).splitlines()
    assert first.startswith(f"port {http} for HTTP is in use")
    assert first.endswith("--port")
    assert second.startswith(f"port {osc} for OSC is in use")
    assert second.endswith("--osc-port")
    assert str(one.value) == second


def test_an_address_that_is_not_ours_is_said_too() -> None:
    # 192.0.2.0/24 is for documentation and belongs to no computer (RFC 5737)
    with pytest.raises(BridgeError, match="cannot be opened"):
        try_network_ports("192.0.2.1", 0, 0)


def test_nothing_is_started_when_a_port_is_taken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a second start would play into the interface of the first, and send it to rest."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    started: list[Any] = []
    monkeypatch.setattr("subprocess.Popen", lambda *a, **k: started.append(a))
    rig, set_file = tmp_path / "rig.yaml", tmp_path / "set.yaml"
    rig.write_text("rig: Quay rack\ninterfaces:\n  main: {profile: eight-gates-four-cv}\n")
    set_file.write_text("set: x\nlanes:\n  a: {every: 1, out: main.gate-1}\n")
    with taken(socket.SOCK_STREAM) as tcp:
        port = tcp.getsockname()[1]
        options = supervise.Options(rig, set_file, http_port=port, osc_port=0, start=True)
        assert supervise.run(options) == 3
    assert started == []
    assert f"port {port} for HTTP is in use" in capsys.readouterr().err
