"""The network ports of the control surface, tried before anything sounds.

A second start by mistake must not open the MIDI ports of the first, play into its interface for a
moment and then send it to rest: so the network is asked before the player is started.
"""

from __future__ import annotations

import errno
import socket

from bridge.errors import MachineError


def try_network_ports(host: str, http_port: int, osc_port: int) -> None:
    """Nothing when both ports can be had; they are free again after it.

    Args:
        host: the address of this machine to listen on (IPv4).
        http_port: of TCP; 0: any free one.
        osc_port: of UDP; 0: any free one.

    Raises:
        MachineError: a line for each that cannot be had, and the option that changes it.
    """
    endpoints = (
        ("HTTP", "--port", socket.SOCK_STREAM, http_port),
        ("OSC", "--osc-port", socket.SOCK_DGRAM, osc_port),
    )
    wrong = []
    for name, option, kind, port in endpoints:
        with socket.socket(socket.AF_INET, kind) as probe:
            if kind == socket.SOCK_STREAM:  # as the real one: closed links are no harm
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
                if kind == socket.SOCK_STREAM:
                    probe.listen(1)
            except OSError as error:
                wrong.append(f"port {port} for {name} {_why(error)}; choose another with {option}")
    if wrong:
        raise MachineError("\n".join(wrong))


def _why(error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return "is in use, perhaps by a lanebridge that runs already"
    return f"cannot be opened ({(error.strerror or str(error)).lower()})"
