"""DNS-SD (RFC 6763) over multicast DNS (RFC 6762): where HTTP and OSC are, for programs that look
for them on the own network. Only with ``--lan``, and with nothing secret in it.

A name that another host has already gets a number (RFC 6762, section 9). When an address of this
machine changes, what was announced is taken back and announced anew.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import Callable
from typing import TYPE_CHECKING

from bridge.control.addresses import of_interfaces

if TYPE_CHECKING:
    from zeroconf import ServiceInfo
    from zeroconf.asyncio import AsyncZeroconf

log = logging.getLogger(__name__)

LOOK_S = 3.0  # announcing takes two seconds: together well below ten
HTTP_TYPE = "_http._tcp.local."
OSC_TYPE = "_osc._udp.local."
LABEL_BYTES_MAX = 63  # RFC 1035, section 2.3.4


class Discovery:
    """What is announced. `rig` is the name that people see; `addresses` are those of now."""

    def __init__(
        self,
        rig: Callable[[], str],
        *,
        addresses: Callable[[], list[str]] = of_interfaces,
        look_s: float = LOOK_S,
    ) -> None:
        self._rig = rig
        self._addresses = addresses
        self._look_s = look_s
        self._network: AsyncZeroconf | None = None
        self._failed = False

    async def run(self, http_port: int, osc_port: int) -> None:
        """Announces, and again whenever the addresses change; takes all back at the end."""
        announced: list[str] = []
        try:
            while True:
                now = sorted(self._addresses())
                if now != announced:
                    await self._end()
                    announced = now if await self._begin(now, http_port, osc_port) else []
                await asyncio.sleep(self._look_s)
        finally:
            await self._end()

    async def _begin(self, addresses: list[str], http_port: int, osc_port: int) -> bool:
        """Whether it was announced; there may be no network yet."""
        if not addresses:
            return False
        from zeroconf import Error, IPVersion
        from zeroconf.asyncio import AsyncZeroconf

        # It tells each packet that could not be sent, with a traceback; an address that has gone
        # is no news here.
        logging.getLogger("zeroconf").setLevel(logging.CRITICAL)
        try:
            self._network = AsyncZeroconf(interfaces=addresses, ip_version=IPVersion.V4Only)
            infos = [
                service_of(HTTP_TYPE, self._rig(), addresses, http_port, {"path": "/"}),
                service_of(OSC_TYPE, self._rig(), addresses, osc_port, {}),
            ]
            told = [
                await self._network.async_register_service(info, allow_name_change=True)
                for info in infos
            ]
            await asyncio.gather(*told)
        except (OSError, Error) as error:
            if not self._failed:
                log.warning("this machine cannot be found by name on the network: %s", error)
            self._failed = True
            await self._end()
            return False
        self._failed = False
        log.info("found on the network as %s", infos[0].get_name())
        return True

    async def _end(self) -> None:
        """Takes back what is announced (a goodbye, RFC 6762, section 10.1)."""
        network, self._network = self._network, None
        if network is not None:
            with contextlib.suppress(OSError):  # the address that it was sent from may be gone
                await network.async_close()


def service_of(
    kind: str, rig: str, addresses: list[str], port: int, text: dict[str, str]
) -> ServiceInfo:
    """One service as it is announced; `text` has the pairs of its TXT record."""
    from zeroconf import ServiceInfo

    host = "".join(c if c.isalnum() and c.isascii() else "-" for c in socket.gethostname())
    return ServiceInfo(
        kind,
        f"{instance_name(rig)}.{kind}",
        addresses=[socket.inet_aton(address) for address in addresses],
        port=port,
        properties=text,
        server=f"{host.strip('-') or 'lanebridge'}.local.",
    )


def instance_name(rig: str) -> str:
    """The name that people see: of any letters, and not longer than a label may be."""
    text = "".join(c for c in f"Lanebridge, {rig}" if c.isprintable())
    room = LABEL_BYTES_MAX - len("-999")  # for the number of a name that is taken
    return text.encode()[:room].decode(errors="ignore").strip()
