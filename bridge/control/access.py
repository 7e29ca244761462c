"""Who may talk to the service, and what every answer says to a browser.

On the machine itself (the default) only loopback addresses are listened on. Two dangers remain,
both from pages of other sites in a browser on the same machine: name rebinding, met by checking
`Host`; and forged requests, met by checking `Origin` on everything that changes something and on
the WebSocket.

A page of another site may not read anything here either, nor have anything made that costs time:
its requests carry ``Sec-Fetch-Site`` or ``Origin``, and only a plain visit of the page is let in.

With ``--lan`` every request must come from somebody who is let in: from a device that was paired
(by the printed address with the token, ``/?token=...``, or by a short code, see
`bridge.control.devices`) and shows the secret in its cookie, or from a program that shows the token
itself, 128 random bits, as ``Authorization: Bearer``. The query is looked at on every path, so a
program may also put it on the WebSocket's address. The token may do everything; a device has a role
(`bridge.control.roles`). Wrong tokens and codes are counted for each address
(`bridge.control.tries`), those that come by datagrams apart: a forged sender must not use up what
an address has for HTTP.

OSC has no place for a token in its fixed addresses. The rule: a host may send OSC from the moment
it has shown the token, over HTTP (opening the page on a device that may play is enough) or once as
``/token s`` over OSC, until `ADMIT_S` after it did so last, also when the service has been started
again meanwhile. It may do what the best of its devices may. Loopback always may everything. (A
host on the same network could forge the sender of a datagram; who must exclude that keeps OSC on
the machine.) What is sent to a host by UDP is sent only to one that has answered from its address:
by a connection, or to a word that was sent there (`bridge.osc.proof`).
"""

from __future__ import annotations

import hmac
import ipaddress
import logging
import re
import socket
import time
from collections.abc import Callable

from bridge.control.devices import Device, Devices, Pairing
from bridge.control.remembered import Remembered
from bridge.control.roles import suffices
from bridge.control.tries import WrongTries
from bridge.protocol.roles import Role

log = logging.getLogger(__name__)

ADMIT_S = 12 * 3600  # longer than any night
KEEP_S = 3600.0  # an admission that is newer than the kept one by less is not written again
HOSTS_MOST = 256  # hosts remembered as admitted

_PORT = r"(?::\d{0,5})?"
_NUMBER_6 = re.compile(rf"\[([0-9a-f:.]+(?:%[\w.~-]+)?)\]{_PORT}", re.ASCII)
_NAME = re.compile(rf"([a-z0-9._-]+){_PORT}", re.ASCII)


def is_loopback(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return address.is_loopback or bool(mapped and mapped.is_loopback)


def split_host(value: str) -> str:
    """The host of a `Host` header (RFC 9110, section 7.2), without port and brackets, in lower
    case; "" when it is none."""
    found = _NUMBER_6.fullmatch(value.lower()) or _NAME.fullmatch(value.lower())
    return "" if found is None else found[1]


class Access:
    """The rules for one run of the service. `token` is None on the machine itself; `remembered`
    is where those who were let in are kept. `clock` is monotonic and goes on over a restart."""

    def __init__(
        self,
        token: str | None,
        *,
        clock: Callable[[], float] = time.monotonic,
        remembered: Remembered | None = None,
        devices: Devices | None = None,
    ) -> None:
        self.token = token
        self.devices = devices or Devices(None)
        self.pairing = Pairing(clock=clock)
        self.tries = WrongTries(clock=clock)  # of addresses that are known to be the sender's
        self.datagram_tries = WrongTries(clock=clock)
        self._roles: dict[str, Role] = {}  # of hosts, since this service has been started
        self.refused = 0
        self._clock = clock
        self._remembered = remembered or Remembered(None, "")
        self._network = self._remembered.load()
        self._admitted: dict[str, float] = {}
        self._answered: set[str] = set()
        if token is not None:
            now = clock()
            ends = {host: min(end, now + ADMIT_S) for host, end in self._network.admitted.items()}
            self._admitted = {host: end for host, end in ends.items() if end > now}
            self._answered = {host for host in self._network.answered if host in self._admitted}
        if self._admitted or self._network.subscribers:
            log.info(
                "%d hosts are let in and %d subscriptions go on, as before the restart",
                len(self._admitted),
                len(self._network.subscribers),
            )
        name = socket.gethostname().lower()
        self._names = {"localhost"} | ({name, f"{name}.local"} if token else set())

    def host_allowed(self, header: str | None) -> bool:
        """Whether `Host` names this machine. A rebound name is never a number, so with ``--lan``
        any numeric address is ours."""
        host = split_host(header or "")
        if not host:
            return False
        if host in self._names or is_loopback(host):
            return True
        try:
            ipaddress.ip_address(host)
        except ValueError:
            return False
        return self.token is not None

    def matches(self, shown: str | None) -> bool:
        """Compares a token that was shown, in constant time."""
        return (
            self.token is not None
            and shown is not None
            # Header values may hold any byte; those that are no text come as lone surrogates.
            and hmac.compare_digest(shown.encode("utf-8", "surrogatepass"), self.token.encode())
        )

    def admit(self, host: str, role: Role = "edit", *, answered: bool = True) -> None:
        """The host has shown the token, or is a device that may play: it may send OSC for
        `ADMIT_S`, in this role. `answered`: by a connection, so that the address is its own."""
        if self.token is None or not suffices(role, "play"):
            return
        if not suffices(self._roles.get(host, "play"), role):
            self._roles[host] = role
        self._admitted.pop(host, None)
        self._admitted[host] = self._clock() + ADMIT_S
        while len(self._admitted) > HOSTS_MOST:
            oldest = next(iter(self._admitted))
            del self._admitted[oldest]
            self._roles.pop(oldest, None)
            self._answered.discard(oldest)
        if self._admitted[host] - self._network.admitted.get(host, 0.0) > KEEP_S:
            self._keep_admitted()
        if answered:
            self.answers_from(host)

    def answers_from(self, host: str) -> None:
        """A host that may send OSC has answered from its address."""
        if host in self._admitted and host not in self._answered:
            self._answered.add(host)
            self._keep_admitted()

    def may_be_sent(self, host: str) -> bool:
        """Whether what a datagram asks for may be sent to its sender's address."""
        return is_loopback(host) or (self.osc_allowed(host) and host in self._answered)

    def _keep_admitted(self) -> None:
        self._network.admitted = dict(self._admitted)
        self._network.answered = sorted(self._answered)
        self._remembered.keep(lambda: self._network)

    @property
    def subscribers(self) -> list[tuple[str, int]]:
        """Who got feedback from the service before this one, and may have it."""
        return [to for to in self._network.subscribers if self.may_be_sent(to[0])]

    def keep_subscribers(self, subscribers: list[tuple[str, int]]) -> None:
        """Remembers who gets feedback, for a service that comes after this one."""
        if subscribers != self._network.subscribers:
            self._network.subscribers = subscribers
            self._remembered.keep(lambda: self._network)

    def osc_allowed(self, host: str) -> bool:
        if is_loopback(host):
            return True
        return self.token is not None and self._admitted.get(host, 0.0) > self._clock()

    def osc_role(self, host: str) -> Role:
        """In which role a host that may send OSC does so. One that was let in before a restart
        plays on; it changes texts again once it has shown who it is."""
        return "edit" if is_loopback(host) else self._roles.get(host, "play")

    def shut_out(self, device: Device) -> None:
        """The device was shut out, or may do less: its host shows again what it may do by OSC."""
        self._roles.pop(device.host, None)
        if self._admitted.pop(device.host, None) is not None:
            self._answered.discard(device.host)
            self._keep_admitted()
