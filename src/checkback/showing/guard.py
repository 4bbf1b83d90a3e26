"""Who may come in: names, origin, token, and how often.

The page shows a patient's data and takes call-outs, so each request is checked before any of the
page's own code runs.  A name that is not ours in `Host` is how a page of somebody else's reaches a
server on this computer (DNS rebinding); an `Origin` that is not ours is how it posts there.
"""

from __future__ import annotations

import hmac
import ipaddress
import re
import secrets
import socket
import time
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POSTS = 20
"""So many posts are taken in `POSTS_S`, of all pages together; a nurse who types fast needs five."""
POSTS_S = 10.0
ENTRIES = 10
"""So many tokens are tried in `ENTRIES_S`, right or wrong."""
ENTRIES_S = 60.0

OPEN_PATHS = frozenset({"/enter", "/enter.js", "/look.css"})
"""What is given without a token: the way to enter one."""

_HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::([0-9]{0,5}))?")
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"

CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}


def new_token() -> str:
    """Return a token that can be typed from a sheet of paper: 16 signs of 31, 79 bits."""
    signs = "".join(secrets.choice(_LETTERS) for _ in range(16))
    return "-".join(signs[i : i + 4] for i in range(0, 16, 4))


_PORTS = {"http": 80, "https": 443}


def origin_of(address: str) -> str | None:
    """Return an origin as browsers write it, in small letters and without the port that goes unsaid; else None.

    A port that is empty or usual for the scheme is the same as none: RFC 9110, 4.2.3.
    """
    try:
        parts = urlsplit(address.lower())
        usual = parts.port in (None, _PORTS.get(parts.scheme))
    except ValueError:
        return None
    if (
        parts.scheme not in _PORTS
        or not parts.netloc
        or parts.path
        or parts.query
        or parts.username is not None
    ):
        return None
    told = parts.port is not None or parts.netloc.endswith(":")
    host = parts.netloc.rpartition(":")[0] if usual and told else parts.netloc
    return f"{parts.scheme}://{host}"


def is_loopback(host: str) -> bool:
    """Return whether a host to bind to is reached from this computer only."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def reached_by_others(host: str, address: str | None) -> bool:
    """Return whether other computers reach the display: at `host` itself, or through a proxy at `address`."""
    if not is_loopback(host):
        return True
    return address is not None and not is_loopback(urlsplit(origin_of(address) or "").hostname or "")


class Allowance:
    """So many in a stretch of time, and no more.

    Parameters
    ----------
    count : int
    seconds : float
    now_s : callable
        The monotonic clock.
    """

    def __init__(self, count: int, seconds: float, now_s: Callable[[], float] = time.monotonic) -> None:
        self._count, self._per_s, self._now_s = float(count), count / seconds, now_s
        self._left, self._since_s = float(count), now_s()

    def take(self) -> bool:
        """Return whether there is one left, and take it."""
        now_s = self._now_s()
        self._left = min(self._count, self._left + (now_s - self._since_s) * self._per_s)
        self._since_s = now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True


class Door:
    """Lets in who may come in, and puts the safe headers on every answer.

    Parameters
    ----------
    app : ASGI application
    host : str
        What the server is bound to.
    token : str or None
        What is to be entered first; None: nothing.
    port : int
        Of the server: a `Host` with another port is not ours, and cookies of two servers on one computer
        are told apart by it.
    address : str or None
        Origin under which a proxy or a tunnel offers it too, such as ``https://wall.example``.
    """

    def __init__(
        self, app: ASGIApp, *, host: str, token: str | None, port: int, address: str | None = None
    ) -> None:
        self._app = app
        self._host = host
        self._token = token
        self._port = port
        self._address = None if address is None else origin_of(address)
        self._cookie = f"checkback_{port}"
        self._visit = secrets.token_urlsafe(32)
        self._posts = Allowance(POSTS, POSTS_S)
        self._entries = Allowance(ENTRIES, ENTRIES_S)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Take a request."""
        if scope["type"] != "http":
            return

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
            await send(message)

        answer: ASGIApp = self._refusal(scope) or self._app
        await answer(scope, receive, send_safely)

    def enter(self, token: str) -> Response:
        """Answer somebody who enters a token."""
        if self._token is None or not hmac.compare_digest(token.encode(), self._token.encode()):
            return PlainTextResponse("That is not the token.", 403)
        answer = Response(status_code=204)
        answer.set_cookie(self._cookie, self._visit, httponly=True, samesite="strict", path="/")
        return answer

    def _refusal(self, scope: Scope) -> Response | None:
        headers, path = Headers(scope=scope), scope["path"]
        if not self._is_our_name(headers):
            return PlainTextResponse(
                "This name is not the display's: use the address that checkback listen shows.", 421
            )
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return PlainTextResponse("Only looked at and posted to.", 405)
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin") and (
            scope["method"] == "POST" or path not in ("/", "/desk", "/enter")
        ):
            return PlainTextResponse("Only the display's own pages may ask for this.", 403)
        if scope["method"] == "POST" and (refusal := self._refusal_of_post(headers, path)) is not None:
            return refusal
        if not self._may(headers, path):
            if scope["method"] == "GET" and path in ("/", "/desk"):
                return RedirectResponse("/enter", 303)
            return PlainTextResponse("Enter the token first.", 401)
        return None

    def _refusal_of_post(self, headers: Headers, path: str) -> Response | None:
        # this server speaks http: a page that came by https, or from another port, is somebody else's
        ours = {self._address}
        if not self._is_of_proxy(headers["host"]):
            ours.add(origin_of(f"http://{headers['host']}"))
        if (origin := origin_of(headers.get("origin", ""))) is None or origin not in ours:
            return PlainTextResponse("Only the display's own pages may post.", 403)
        if headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return PlainTextResponse("Only JSON is taken.", 415)
        # what is refused anyway takes nothing from those who may post
        if self._may(headers, path) and not (self._entries if path == "/enter" else self._posts).take():
            return PlainTextResponse("Too many at once: wait a few seconds.", 429, {"retry-after": "5"})
        return None

    def _is_our_name(self, headers: Headers) -> bool:
        found = headers.getlist("host")
        match = _HOST.fullmatch(found[0]) if len(found) == 1 else None
        if match is None:
            return False
        if self._is_of_proxy(match[0]):
            return True
        if int(match[2] or _PORTS["http"]) != self._port:
            return False
        name = match[1].strip("[]").lower()
        if is_loopback(name) or name == self._host.lower():
            return True
        if is_loopback(self._host):
            return False
        try:
            # an address cannot be given to another computer, as a name can
            ipaddress.ip_address(name)
        except ValueError:
            own = socket.gethostname().lower()
            return name in (own, own.partition(".")[0], f"{own}.local")
        return True

    def _is_of_proxy(self, host: str) -> bool:
        if self._address is None:
            return False
        # some proxies send their port though it is the usual one, which a browser leaves out
        return origin_of(f"{urlsplit(self._address).scheme}://{host}") == self._address

    def _may(self, headers: Headers, path: str) -> bool:
        return self._token is None or path in OPEN_PATHS or self._is_known(headers)

    def _is_known(self, headers: Headers) -> bool:
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return False
        return cookie is not None and hmac.compare_digest(cookie.value.encode(), self._visit.encode())
