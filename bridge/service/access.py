"""Who may talk to the service, and what every answer says to a browser.

On the machine itself (the default) only loopback addresses are listened on. Two dangers remain,
both from pages of other sites in a browser on the same machine: name rebinding, met by checking
`Host`; and forged requests, met by checking `Origin` on everything that changes something and on
the WebSocket.

With ``--lan`` every request needs a token of 128 random bits: in the cookie that the printed
address (``/?token=...``) leaves behind once, or as ``Authorization: Bearer``. The query is looked
at on every path, so a program may also put it on the WebSocket's address.

OSC has no place for a token in its fixed addresses. The rule: a host may send OSC from the moment
it has shown the token, over HTTP (opening the page is enough) or once as ``/token s`` over OSC,
until `ADMIT_S` after it did so last. Loopback always may. (A host on the same network could forge
the sender of a datagram; who must exclude that keeps OSC on the machine.)
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
import time
from collections.abc import Awaitable, Callable

from aiohttp import web
from aiohttp.typedefs import Middleware

from bridge.service.problems import ProblemError

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

TOKEN_BYTES = 16
COOKIE_S = 30 * 24 * 3600
ADMIT_S = 12 * 3600  # longer than any night
HOSTS_MOST = 256  # hosts remembered as admitted
SAFE = ("GET", "HEAD", "OPTIONS")

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


def new_token() -> str:
    """A token for one night: 128 random bits, safe in an address."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def is_loopback(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return address.is_loopback or bool(mapped and mapped.is_loopback)


def split_host(value: str) -> str:
    """The host of a `Host` header, without port and brackets, in lower case."""
    if value.startswith("["):
        return value[1:].partition("]")[0].lower()
    return value.rpartition(":")[0].lower() if ":" in value else value.lower()


class Access:
    """The rules for one run of the service. `token` is None on the machine itself."""

    def __init__(self, token: str | None, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.token = token
        self.refused = 0
        self._clock = clock
        self._admitted: dict[str, float] = {}
        name = socket.gethostname().lower()
        self._names = {"localhost"} | ({name, f"{name}.local"} if token else set())

    def host_allowed(self, header: str | None) -> bool:
        """Whether `Host` names this machine. A rebound name is never a number, so with ``--lan``
        any numeric address is ours."""
        if not header:
            return False
        host = split_host(header)
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
            and hmac.compare_digest(shown.encode(), self.token.encode())
        )

    def admit(self, host: str) -> None:
        """The host has shown the token: it may send OSC for `ADMIT_S`."""
        if self.token is None:
            return
        self._admitted.pop(host, None)
        self._admitted[host] = self._clock() + ADMIT_S
        while len(self._admitted) > HOSTS_MOST:
            del self._admitted[next(iter(self._admitted))]

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
            socket_asked = request.headers.get("Upgrade", "").lower() == "websocket"
            if (request.method not in SAFE or socket_asked) and not self.origin_allowed(request):
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
            raise ProblemError(
                401,
                "the token is missing or wrong: open the address that was printed",
                {"WWW-Authenticate": 'Bearer realm="lanebridge"'},
            )
        if request.remote:
            self.admit(request.remote)
        if self.matches(query) and request.method == "GET" and request.path == "/":
            answer = web.Response(
                body=MOVE_ON,
                content_type="text/html",
                charset="utf-8",
                headers={"Cache-Control": "no-store"},
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


async def add_headers(request: web.BaseRequest, response: web.StreamResponse) -> None:
    """Signal handler: the security headers of every answer."""
    headers = response.headers
    # Older browsers do not count ws: to the same host as 'self'.
    sockets = f" ws://{request.host}" if _plain(request.host) else ""
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
