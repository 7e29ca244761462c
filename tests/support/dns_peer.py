"""Asks a network by multicast DNS, as a program of its own: ``dns_peer.py TYPE``; prints what is
answered within a second as one JSON object. Standard library only, by the bytes of RFC 1035.

The question is sent from any port, so that the answer comes back to it alone (RFC 6762, section 6.7:
legacy unicast responses).
"""

from __future__ import annotations

import json
import socket
import struct
import sys
import time
from typing import Any

GROUP = ("224.0.0.251", 5353)
A, PTR, TXT, SRV = 1, 12, 16, 33


def encoded(name: str) -> bytes:
    return b"".join(bytes([len(p)]) + p.encode() for p in name.strip(".").split(".")) + b"\0"


def question(name: str) -> bytes:
    """One question for PTR records (section 4.1)."""
    return struct.pack(">6H", 7, 0, 1, 0, 0, 0) + encoded(name) + struct.pack(">2H", PTR, 1)


def name_at(data: bytes, at: int) -> tuple[str, int]:
    """A name, compressed or not (section 4.1.4), and where it ends."""
    labels: list[str] = []
    end = -1
    while data[at]:
        if data[at] & 0xC0 == 0xC0:
            end = at + 2 if end < 0 else end
            at = struct.unpack_from(">H", data, at)[0] & 0x3FFF
            continue
        labels.append(data[at + 1 : at + 1 + data[at]].decode())
        at += 1 + data[at]
    return ".".join(labels), at + 1 if end < 0 else end


def records(data: bytes) -> list[dict[str, Any]]:
    _, _, asked, *counts = struct.unpack_from(">6H", data)
    at, found = 12, []
    for _ in range(asked):
        at = name_at(data, at)[1] + 4
    for _ in range(sum(counts)):
        name, at = name_at(data, at)
        kind, _, _, size = struct.unpack_from(">HHIH", data, at)
        at += 10
        value: Any = data[at : at + size].hex()
        if kind == A:
            value = socket.inet_ntoa(data[at : at + 4])
        elif kind == PTR:
            value = name_at(data, at)[0]
        elif kind == SRV:
            value = [name_at(data, at + 6)[0], struct.unpack_from(">H", data, at + 4)[0]]
        found.append({"name": name, "kind": kind, "value": value})
        at += size
    return found


def main(kind: str) -> dict[str, Any]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.sendto(question(kind), GROUP)
        told: list[dict[str, Any]] = []
        end = time.monotonic() + 1.0
        while (left := end - time.monotonic()) > 0:
            sock.settimeout(left)
            try:
                told += records(sock.recv(9000))
            except TimeoutError:
                break
    return {
        "names": sorted({row["value"] for row in told if row["kind"] == PTR}),
        "ports": sorted({row["value"][1] for row in told if row["kind"] == SRV}),
        "addresses": sorted({row["value"] for row in told if row["kind"] == A}),
    }


if __name__ == "__main__":
    print(json.dumps(main(sys.argv[1])))
