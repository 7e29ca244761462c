"""The gate of the HTTP interface: who is let in, and what every answer says to a browser.

The rules themselves stand in `bridge.control.access`; here they meet requests and answers.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from aiohttp import web
from aiohttp.typedefs import Middleware

from bridge.control.access import Access
from bridge.web.problems import ProblemError

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

COOKIE = "lanebridge"
COOKIE_S = 30 * 24 * 3600
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
            if self._access.token is not None:
                answer = self._authenticate(request)
                if answer is not None:
                    return answer
            if not _is_visit(request) and not origin_allowed(request):
                self._access.refused += 1
                raise ProblemError(403, "a page of another site may not control this one")
            return await handler(request)

        return check

    def _authenticate(self, request: web.Request) -> web.StreamResponse | None:
        query = request.query.get("token")
        scheme, _, bearer = request.headers.get("Authorization", "").partition(" ")
        shown = (
            query,
            bearer.strip() if scheme.lower() == "bearer" else None,
            request.cookies.get(COOKIE),
        )
        if not any(self._access.matches(one) for one in shown):
            self._access.refused += 1
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
            self._access.admit(request.remote)
        if self._access.matches(query) and request.method == "GET" and request.path == "/":
            answer = web.Response(
                body=MOVE_ON, content_type="text/html", charset="utf-8", headers=NO_STORE
            )
            assert self._access.token is not None
            answer.set_cookie(
                COOKIE,
                self._access.token,
                max_age=COOKIE_S,
                path="/",
                httponly=True,
                samesite="Strict",
                secure=request.secure,
            )
            return answer
        return None


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
