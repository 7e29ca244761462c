"""Who may talk to the service, and what every answer says to a browser.

On the machine itself (the default) only loopback addresses are listened on. Two dangers remain,
both from pages of other sites in a browser on the same machine: name rebinding, met by checking
`Host`; and forged requests, met by checking `Origin` on everything that changes something and on
the WebSocket.

A page of another site may not read anything here either, nor have anything made that costs time:
its requests carry ``Sec-Fetch-Site`` or ``Origin``, and only a plain visit of the page is let in.

With ``--lan`` every request needs a token of 128 random bits: in the cookie that the printed
address (``/?token=...``) leaves behind once, or as ``Authorization: Bearer``. The query is looked
at on every path, so a program may also put it on the WebSocket's address.

OSC has no place for a token in its fixed addresses. The rule: a host may send OSC from the moment
it has shown the token, over HTTP (opening the page is enough) or once as ``/token s`` over OSC,
until `ADMIT_S` after it did so last, also when the service has been started again meanwhile.
Loopback always may. (A host on the same network could forge the sender of a datagram; who must
exclude that keeps OSC on the machine.)
"""

from __future__ import annotations

import hmac
import ipaddress
import logging
import re
import socket
import time
from collections.abc import Awaitable, Callable

from aiohttp import web
from aiohttp.typedefs import Middleware

from bridge.service.problems import ProblemError
from bridge.service.remembered import Remembered

log = logging.getLogger(__name__)

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

COOKIE_S = 30 * 24 * 3600
ADMIT_S = 12 * 3600  # longer than any night
KEEP_S = 3600.0  # an admission that is newer than the kept one by less is not written again
HOSTS_MOST = 256  # hosts remembered as admitted
SAFE = ("GET", "HEAD")
CHALLENGE = {"WWW-Authenticate": 'Bearer realm="lanebridge"'}
NO_STORE = {"Cache-Control": "no-store"}

# The page is plain files of ours: nothing inline, nothing from elsewhere, in no frame.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; "
    "connect-src 'self'{sockets}; manifest-src 'self'; worker-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

# What a browser gets for the address with the token: the cookie, then the page without the token.
# A refresh, not a redirect: a strict cookie set on a redirect that began in another program's link
# would not be sent along.
MOVE_ON = b"""<!doctype html><html lang="en"><meta charset="utf-8"><title>Lanebridge</title>
<meta http-equiv="refresh" content="0;url=./"><p><a href="./">Go on</a></p></html>"""


# What a person gets who opens the address without its token. It can be typed in, too.
ASK = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>Lanebridge</title>
<h1>This page needs its token</h1>
<p>Open the whole address that was printed where Lanebridge was started, or point the camera at the
picture beside it. This device then remembers it.</p>
<form action="/" method="get"><p><label>Or type the token, the part of the address after
<code>token=</code>:<br><input name="token" size="30" autocomplete="off" autocapitalize="none"
spellcheck="false" required></label> <button>Open</button></p></form>{wrong}</html>"""
ASK_WRONG = "<p><strong>The token that was shown is not the right one.</strong></p>"
ASK_POLICY = "default-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

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
    ) -> None:
        self.token = token
        self.refused = 0
        self._clock = clock
        self._remembered = remembered or Remembered(None, 0)
        self._network = self._remembered.load()
        self._admitted: dict[str, float] = {}
        if token is not None:
            now = clock()
            ends = {host: min(end, now + ADMIT_S) for host, end in self._network.admitted.items()}
            self._admitted = {host: end for host, end in ends.items() if end > now}
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

    def origin_allowed(self, request: web.Request) -> bool:
        """Whether the page that asks is our own (or none: a program)."""
        origin = request.headers.get("Origin")
        if origin is not None:
            return origin.lower() in (
                f"http://{request.host.lower()}",
                f"https://{request.host.lower()}",
            )
        return request.headers.get("Sec-Fetch-Site") in (None, "same-origin", "none")

    def matches(self, shown: str | None) -> bool:
        """Compares a token that was shown, in constant time."""
        return (
            self.token is not None
            and shown is not None
            # Header values may hold any byte; those that are no text come as lone surrogates.
            and hmac.compare_digest(shown.encode("utf-8", "surrogatepass"), self.token.encode())
        )

    def admit(self, host: str) -> None:
        """The host has shown the token: it may send OSC for `ADMIT_S`."""
        if self.token is None:
            return
        self._admitted.pop(host, None)
        self._admitted[host] = self._clock() + ADMIT_S
        while len(self._admitted) > HOSTS_MOST:
            del self._admitted[next(iter(self._admitted))]
        if self._admitted[host] - self._network.admitted.get(host, 0.0) > KEEP_S:
            self._network.admitted = dict(self._admitted)
            self._remembered.keep(lambda: self._network)

    @property
    def subscribers(self) -> list[tuple[str, int]]:
        """Who got feedback from the service before this one, and may have it."""
        return [to for to in self._network.subscribers if self.osc_allowed(to[0])]

    def keep_subscribers(self, subscribers: list[tuple[str, int]]) -> None:
        """Remembers who gets feedback, for a service that comes after this one."""
        if subscribers != self._network.subscribers:
            self._network.subscribers = subscribers
            self._remembered.keep(lambda: self._network)

    def osc_allowed(self, host: str) -> bool:
        if is_loopback(host):
            return True
        return self.token is not None and self._admitted.get(host, 0.0) > self._clock()

    @property
    def cookie(self) -> str:
        return "lanebridge"

    def middleware(self) -> Middleware:
        """The check before every handler. Raises `ProblemError` 421, 401 or 403."""

        @web.middleware
        async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
            if not self.host_allowed(request.headers.get("Host")):
                self.refused += 1
                raise ProblemError(421, "this is not a name of this machine; use its number")
            if self.token is not None:
                answer = self._authenticate(request)
                if answer is not None:
                    return answer
            if not _is_visit(request) and not self.origin_allowed(request):
                self.refused += 1
                raise ProblemError(403, "a page of another site may not control this one")
            return await handler(request)

        return check

    def _authenticate(self, request: web.Request) -> web.StreamResponse | None:
        query = request.query.get("token")
        scheme, _, bearer = request.headers.get("Authorization", "").partition(" ")
        shown = (
            query,
            bearer.strip() if scheme.lower() == "bearer" else None,
            request.cookies.get(self.cookie),
        )
        if not any(self.matches(one) for one in shown):
            self.refused += 1
            if request.path == "/" and _is_person(request):
                return web.Response(
                    status=401,
                    text=ASK.format(wrong=ASK_WRONG if query else ""),
                    content_type="text/html",
                    headers={**CHALLENGE, "Content-Security-Policy": ASK_POLICY} | NO_STORE,
                )
            raise ProblemError(
                401, "the token is missing or wrong: open the address that was printed", CHALLENGE
            )
        if request.remote:
            self.admit(request.remote)
        if self.matches(query) and request.method == "GET" and request.path == "/":
            answer = web.Response(
                body=MOVE_ON, content_type="text/html", charset="utf-8", headers=NO_STORE
            )
            assert self.token is not None
            answer.set_cookie(
                self.cookie,
                self.token,
                max_age=COOKIE_S,
                path="/",
                httponly=True,
                samesite="Strict",
                secure=request.secure,
            )
            return answer
        return None


def _is_visit(request: web.Request) -> bool:
    """Whether somebody opens the page or the manual, by a link on another site perhaps. Nothing is
    told to that site, and nothing is made."""
    return (
        request.method in SAFE
        and request.path in ("/", "/manual")
        and request.headers.get("Sec-Fetch-Mode") in (None, "navigate")
        and "Upgrade" not in request.headers
    )


def _is_person(request: web.Request) -> bool:
    return request.method == "GET" and "text/html" in request.headers.get("Accept", "")


async def add_headers(request: web.BaseRequest, response: web.StreamResponse) -> None:
    """Signal handler: the security headers of every answer."""
    set_headers(response, request.host)


def set_headers(response: web.StreamResponse, host: str = "") -> None:
    """The security headers. `host` is what the client called us."""
    headers = response.headers
    # Older browsers do not count ws: to the same host as 'self'.
    sockets = f" ws://{host}" if _plain(host) else ""
    # A page that carries its own style brings a policy that is stricter in all else.
    headers.setdefault("Content-Security-Policy", POLICY.format(sockets=sockets))
    headers["X-Content-Type-Options"] = "nosniff"
    headers["X-Frame-Options"] = "DENY"
    headers["Referrer-Policy"] = "no-referrer"
    headers["Cross-Origin-Resource-Policy"] = "same-origin"
    headers["Permissions-Policy"] = "camera=(), geolocation=(), microphone=()"
    headers["Server"] = "lanebridge"


def _plain(host: str) -> bool:
    return bool(host) and all(c.isalnum() or c in ".-:[]" for c in host)
