"""The numbers by which a tablet reaches this machine: names fail on some, numbers do not."""

from __future__ import annotations

import contextlib
import socket
import struct
import sys

_SIOCGIFADDR = 0x8915  # Linux: IPv4 address of an interface
# Reserved for documentation (RFC 5737): surely no host of the own network, so the way to it is the
# way out. Connecting a datagram socket sends nothing.
_FAR_AWAY = ("198.51.100.1", 9)


def outward() -> str | None:
    """The own address on the way out, or None where there is no way out."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(_FAR_AWAY)
        except OSError:
            return None
        return str(sock.getsockname()[0])


def of_interfaces() -> list[str]:
    """The first IPv4 address of every interface, in the system's order, loopback left out.
    Empty where the system cannot be asked (other than Linux)."""
    found: list[str] = []
    if sys.platform != "linux":
        return found
    import fcntl

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for _, name in socket.if_nameindex():
            with contextlib.suppress(OSError):  # it has none
                asked = struct.pack("256s", name.encode()[:15])
                answer = fcntl.ioctl(sock.fileno(), _SIOCGIFADDR, asked)
                address = socket.inet_ntoa(answer[20:24])
                if not address.startswith("127."):
                    found.append(address)
    return found


def is_own(host: str) -> bool:
    """Whether a numeric address belongs to this machine."""
    return host.startswith("127.") or host in of_interfaces()


def lan_address() -> str:
    """The address to print: on the way out, else (a rig with its own access point has none) of the
    first interface, else loopback."""
    address = outward()
    if address is not None and not address.startswith("127."):
        return address
    return next(iter(of_interfaces()), "127.0.0.1")
