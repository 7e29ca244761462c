"""The gate of the HTTP interface: who is let in, and what every answer says to a browser.

The rules themselves stand in `bridge.control.access`; here they meet requests and answers.
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable

from aiohttp import web
from aiohttp.typedefs import Middleware

from bridge.control.access import Access
from bridge.control.devices import Device
from bridge.control.roles import acting
from bridge.protocol.roles import Role
from bridge.web.problems import ProblemError

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

COOKIE = "lanebridge"
COOKIE_S = 400 * 24 * 3600  # as long as browsers allow; `devices.UNUSED_S` ends it sooner
DEVICE = web.RequestKey("device", str)  # the id of the device that asks, if it is one
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


# What a person gets who opens the address on a device that is not let in.
ASK = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>Lanebridge</title>
<h1>This device is not let in yet</h1>
<p>Point the camera at the picture that was printed where Lanebridge was started, or open the
address beside it with its token. This device is then remembered.</p>
<form action="/" method="get"><p><label>Or type the code that was printed there, or that a device
which is let in has made:<br><input name="code" size="12" maxlength="20"
autocomplete="off" autocapitalize="characters" spellcheck="false" required></label></p>
<p><label>A name for this device:<br><input name="name" size="20" maxlength="40"
autocomplete="off"></label> <button>Open</button></p></form>{wrong}</html>"""
ASK_WRONG = """<p><strong>The token or the code is not the right one, or it is over.</strong> A
code is good for one device and for ten minutes; make a new one.</p>"""
ASK_WAIT = """<p><strong>Too many wrong tries from here.</strong> Wait {seconds} s, then try
again.</p>"""
ASK_POLICY = "default-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"


class Gate:
    """The check before every handler, by the rules of `access`."""

    def __init__(self, access: Access) -> None:
        self._access = access

    def middleware(self) -> Middleware:
        """The check before every handler. Raises `ProblemError` 421, 401 or 403."""

        @web.middleware
        async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
            if not self._access.host_allowed(request.headers.get("Host")):
                self._access.refused += 1
                raise ProblemError(421, "this is not a name of this machine; use its number")
            role: Role = "edit"
            if self._access.token is not None:
                entered = self._authenticate(request)
                if isinstance(entered, web.StreamResponse):
                    return entered
                role = entered
            if not _is_visit(request) and not origin_allowed(request):
                self._access.refused += 1
                raise ProblemError(403, "a page of another site may not control this one")
            with acting(role):
                return await handler(request)

        return check

    def _authenticate(self, request: web.Request) -> web.StreamResponse | Role:
        """The role of who asks, or the answer that leaves a new device its cookie."""
        access, host = self._access, request.remote or ""
        query = request.query.get("token")
        scheme, _, bearer = request.headers.get("Authorization", "").partition(" ")
        enters = request.method == "GET" and request.path == "/"
        device = access.devices.find(request.cookies.get(COOKIE))
        role = None if device is None else device.role
        shows_bearer = scheme.lower() == "bearer"
        tries = query is not None or shows_bearer or (enters and "code" in request.query)
        wait = access.tries.wait(host) if tries else 0.0
        if wait > 0:
            if role is None:
                return self._refuse(request, wait)
        elif access.matches(query):
            access.tries.right(host)
            if enters:
                return self._pair(request, device, "edit")
            role = "edit"
        elif shows_bearer and access.matches(bearer.strip()):
            access.tries.right(host)
            role = "edit"
        else:
            if enters and "code" in request.query:
                given = access.pairing.take(host, request.query["code"])
                if given is not None:
                    access.tries.right(host)
                    return self._pair(request, device, given)
            if tries:
                access.tries.wrong(host)
        if role is None:
            return self._refuse(request)
        if device is not None:
            request[DEVICE] = device.id
            access.devices.seen(device, host)
        if host:
            access.admit(host, role)
        return role

    def _refuse(self, request: web.Request, wait: float = 0.0) -> web.StreamResponse:
        """401 and the form that lets a device in; while there were too many wrong tries (`wait`, in
        seconds) 429 (RFC 6585, section 4)."""
        self._access.refused += 1
        seconds = math.ceil(wait)
        headers = {"Retry-After": str(seconds)} if seconds else CHALLENGE
        if request.path == "/" and _is_person(request):
            tried = "token" in request.query or "code" in request.query
            wrong = ASK_WAIT.format(seconds=seconds) if seconds else ASK_WRONG if tried else ""
            return web.Response(
                status=429 if seconds else 401,
                text=ASK.format(wrong=wrong),
                content_type="text/html",
                headers={**headers, "Content-Security-Policy": ASK_POLICY} | NO_STORE,
            )
        if seconds:
            raise ProblemError(429, f"too many wrong tokens or codes: wait {seconds} s", headers)
        raise ProblemError(
            401, "this device is not let in: open the address that was printed", headers
        )

    def _pair(self, request: web.Request, device: Device | None, role: Role) -> web.Response:
        """Lets the device in, or a device that is let in already have the role too."""
        access, host = self._access, request.remote or ""
        answer = web.Response(
            body=MOVE_ON, content_type="text/html", charset="utf-8", headers=NO_STORE
        )
        if device is not None:
            access.devices.raise_to(device, role)
            access.admit(host, device.role)
            return answer
        _, secret = access.devices.pair(request.query.get("name", ""), role, host)
        access.admit(host, role)
        answer.set_cookie(
            COOKIE,
            secret,
            max_age=COOKIE_S,
            path="/",
            httponly=True,
            samesite="Strict",
            secure=request.secure,
        )
        return answer


def origin_allowed(request: web.Request) -> bool:
    """Whether the page that asks is our own (or none: a program)."""
    origin = request.headers.get("Origin")
    if origin is not None:
        return origin.lower() in (
            f"http://{request.host.lower()}",
            f"https://{request.host.lower()}",
        )
    return request.headers.get("Sec-Fetch-Site") in (None, "same-origin", "none")


def _is_visit(request: web.Request) -> bool:
    """Whether somebody opens the page, the manual or the page of the API, by a link on another site
    perhaps. Nothing is told to that site, and next to nothing is made."""
    return (
        request.method in SAFE
        and request.path in ("/", "/manual", "/api")
        and request.headers.get("Sec-Fetch-Mode") in (None, "navigate")
        and "Upgrade" not in request.headers
    )


def _is_person(request: web.Request) -> bool:
    return request.method == "GET" and "text/html" in request.headers.get("Accept", "")


async def add_headers(request: web.BaseRequest, response: web.StreamResponse) -> None:
    """Signal handler: the security headers of every answer.

    Args:
        request: says what the client called us.
        response: gets them before it is sent; a policy of its own stays.
    """
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
