"""A link between two network namespaces that loses and delays packets, in user space.

Usage: lossy_link.py NS_A IP_A NS_B IP_B DELAY_MS JITTER_MS LOSS_PCT [SEED]. One TUN device in each
namespace, packets carried by this process; says ``wire up`` and runs until its input is closed.
Delays differ from packet to packet, so packets also overtake each other.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import fcntl
import os
import random
import struct
import subprocess
import sys
from collections.abc import Callable

CLONE_NEWNET = 0x40000000
TUNSETIFF = 0x400454CA
IFF_TUN, IFF_NO_PI = 0x0001, 0x1000
MTU = 1400

libc = ctypes.CDLL(None, use_errno=True)


def tun(namespace: str, name: str) -> int:
    """A TUN device inside `namespace`; returns its file descriptor."""
    here = os.open("/proc/self/ns/net", os.O_RDONLY)
    there = os.open(f"/run/netns/{namespace}", os.O_RDONLY)
    if libc.setns(there, CLONE_NEWNET):
        raise OSError(ctypes.get_errno(), "setns")
    try:
        fd = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
        fcntl.ioctl(fd, TUNSETIFF, struct.pack("16sH22x", name.encode(), IFF_TUN | IFF_NO_PI))
    finally:
        libc.setns(here, CLONE_NEWNET)
        os.close(here)
        os.close(there)
    return fd


def connect(namespace: str, own: str, peer: str) -> int:
    fd = tun(namespace, "wire0")
    for words in (
        ("addr", "add", own, "peer", peer, "dev", "wire0"),
        ("link", "set", "wire0", "up", "mtu", str(MTU)),
    ):
        subprocess.run(["ip", "-n", namespace, *words], check=True)
    return fd


async def main(arguments: list[str]) -> None:
    name_a, ip_a, name_b, ip_b, *numbers = arguments
    delay, jitter, loss = map(float, numbers[:3])
    dice = random.Random(int(numbers[3]) if len(numbers) > 3 else 1)
    loop = asyncio.get_running_loop()
    ends = connect(name_a, ip_a, ip_b), connect(name_b, ip_b, ip_a)

    def deliver(fd: int, packet: bytes) -> None:
        with contextlib.suppress(OSError):  # the other end may be gone: so is the packet
            os.write(fd, packet)

    def pump(source: int, target: int) -> Callable[[], None]:
        def read() -> None:
            with contextlib.suppress(BlockingIOError):
                while True:
                    packet = os.read(source, 2000)
                    if dice.random() * 100 >= loss:
                        wait = max(0.0, delay + dice.uniform(-jitter, jitter)) / 1000
                        loop.call_later(wait, deliver, target, packet)

        return read

    loop.add_reader(ends[0], pump(*ends))
    loop.add_reader(ends[1], pump(ends[1], ends[0]))
    print("wire up", flush=True)
    await loop.run_in_executor(None, sys.stdin.read)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1:]))
