"""The pages, their live feed, and what is typed into them.

Everything that is served was read when the program started: no part of an address ever becomes a
path of a file.
"""

from __future__ import annotations

import asyncio
import json
import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from jinja2 import DictLoader, Environment, StrictUndefined
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from checkback.showing.feed import Feed
from checkback.showing.guard import Door

BEAT_S = 1.0
"""So often a page is told that the connection is alive."""
LEAST_S = 0.04
"""Two boards are at least so far apart; of those in between only the last is sent."""
LEVEL_S = 0.25
"""Two levels are at least so far apart; of those in between only the last is sent."""
STUCK_S = 5.0
"""A page that takes nothing for so long is dropped."""
WATCHERS = 12
"""More pages than this are not served at once."""
LONGEST_LINE = 400
"""Characters of a typed line."""
LONGEST_POST = 4096
"""Bytes."""
POST_WITHIN_S = 5.0

_ASSETS = {
    "look.css": "text/css; charset=utf-8",
    "common.js": "text/javascript; charset=utf-8",
    "wall.js": "text/javascript; charset=utf-8",
    "desk.js": "text/javascript; charset=utf-8",
    "enter.js": "text/javascript; charset=utf-8",
    "mark.svg": "image/svg+xml",
}
_PAGES = {"/": "wall.html", "/desk": "desk.html", "/enter": "enter.html"}
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")

Drop = Callable[[Any], None]


@dataclass(frozen=True)
class Words:
    """What the pages say.

    Attributes
    ----------
    language : str
        Tag of the language, as HTML has it (BCP 47).
    pages : mapping
        Every word, by group and key.
    phrases : sequence of (str, str)
        The phrase card as (kind, text).
    """

    language: str
    pages: Mapping[str, Mapping[str, str]]
    phrases: Sequence[tuple[str, str]]


def _asset(name: str) -> str:
    return (files("checkback.showing") / "assets" / name).read_text(encoding="utf-8")


class Pages:
    """Answers what browsers ask for.

    Parameters
    ----------
    feed : Feed
    words : Words
    typed : callable or None
        Takes a typed line, from any thread; None: nothing is taken.
    """

    def __init__(self, feed: Feed, words: Words, typed: Callable[[str], None] | None) -> None:
        self._feed = feed
        self._typed = typed
        self._phrases = json.dumps(list(words.phrases)).encode("ascii")
        self.door: Door | None = None
        self.drop: Drop = lambda scope: None
        environment = Environment(
            loader=DictLoader({name: _asset(name) for name in ("frame.html", *_PAGES.values())}),
            autoescape=True,
            undefined=StrictUndefined,
        )
        known = json.dumps(words.pages, ensure_ascii=True)
        self._pages = {
            path: environment.get_template(name)
            .render(words=words.pages, language=words.language, known=known)
            .encode()
            for path, name in _PAGES.items()
        }
        self._assets = {f"/{name}": (_asset(name).encode(), media) for name, media in _ASSETS.items()}

    def application(self) -> Starlette:
        """Return the application; what it has no route for is not there."""
        return Starlette(
            routes=[
                *(Route(path, self._page) for path in self._pages),
                *(Route(path, self._file) for path in self._assets),
                Route("/events", self._events),
                Route("/log", self._log),
                Route("/phrases", self._card),
                Route("/say", self._say, methods=["POST"]),
                Route("/enter", self._enter, methods=["POST"]),
            ]
        )

    async def _page(self, request: Request) -> Response:
        return Response(self._pages[request.url.path], media_type="text/html")

    async def _file(self, request: Request) -> Response:
        content, media = self._assets[request.url.path]
        return Response(content, media_type=media)

    async def _events(self, request: Request) -> Response:
        if self._feed.watchers >= WATCHERS:
            return PlainTextResponse("Too many pages are open: close some.", 503)
        return _Stream(self._feed, self.drop)

    async def _log(self, request: Request) -> Response:
        since = request.query_params.get("since", "0")
        newest = self._feed.newest
        if not (since.isascii() and since.isdigit() and len(since) < 10) or newest is None:
            return PlainTextResponse("since is the revision that is known.", 400)
        rows = b",".join(row.json for row in newest.rows if row.revision > int(since))
        return Response(
            b'{"revision":%d,"lines":[%s]}' % (newest.revision, rows), media_type="application/json"
        )

    async def _card(self, request: Request) -> Response:
        return Response(self._phrases, media_type="application/json")

    async def _say(self, request: Request) -> Response:
        text = await _posted(request, "text")
        if text is None or len(text) > LONGEST_LINE:
            return PlainTextResponse(f"Post a line of at most {LONGEST_LINE} characters.", 400)
        if self._typed is None:
            return PlainTextResponse("This case is only shown: nothing is taken.", 403)
        line = _UNSEEN.sub(" ", text).strip()
        if line:
            self._typed(line)
        return JSONResponse({"taken": bool(line)}, 202)

    async def _enter(self, request: Request) -> Response:
        token = await _posted(request, "token")
        if token is None or self.door is None:
            return PlainTextResponse("Post the token.", 400)
        return self.door.enter(token.strip())


async def _posted(request: Request, key: str) -> str | None:
    """Return a text out of a small posted object; None if it is not there."""
    body = b""
    try:
        async with asyncio.timeout(POST_WITHIN_S):
            async for part in request.stream():
                body += part
                if len(body) > LONGEST_POST:
                    return None
        posted = json.loads(body)
    except (TimeoutError, ValueError, RecursionError, ClientDisconnect):
        return None
    value = posted.get(key) if isinstance(posted, dict) else None
    return value if isinstance(value, str) else None


class _Stream(Response):
    """Server-sent events: always the newest board, the level if it changed, and a beat in between.

    Nothing is kept for a page that does not read; when its socket is full it is dropped.
    """

    def __init__(self, feed: Feed, drop: Drop) -> None:
        self._feed = feed
        self._drop = drop

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until the page is gone, takes nothing, or the program ends."""
        gone = asyncio.ensure_future(_left(receive))
        try:
            async with asyncio.timeout(STUCK_S) as patience:

                async def put(body: bytes) -> None:
                    patience.reschedule(asyncio.get_running_loop().time() + STUCK_S)
                    await send({"type": "http.response.body", "body": body, "more_body": True})
                    patience.reschedule(None)

                await send(
                    {
                        "type": "http.response.start",
                        "status": 200,
                        "headers": [(b"content-type", b"text/event-stream; charset=utf-8")],
                    }
                )
                await put(b"retry: 1000\n\n")
                await self._boards(put, gone)
                await send({"type": "http.response.body", "body": b"", "more_body": False})
        except TimeoutError:
            self._drop(scope)
        finally:
            gone.cancel()

    async def _boards(self, put: Callable[[bytes], Any], gone: asyncio.Future[None]) -> None:
        shown, level = None, None
        beat_s = level_s = float("-inf")
        with self._feed.waiting() as newer:
            while not gone.done():
                newer.clear()
                newest, now_s = self._feed.newest, time.monotonic()
                if newest is not None and newest is not shown:
                    shown = newest
                    lag_s = max(0.0, time.monotonic() - newest.made_s)
                    await put(b'event: board\ndata: {"lag_s":%.3f,"board":%s}\n\n' % (lag_s, newest.json))
                    await asyncio.sleep(LEAST_S)
                elif self._feed.closed:
                    await put(b"event: bye\ndata: {}\n\n")
                    return
                elif self._feed.level != level and now_s - level_s >= LEVEL_S:
                    level, level_s = self._feed.level, now_s
                    await put(b"event: level\ndata: %s\n\n" % json.dumps(level).encode())
                elif now_s - beat_s >= BEAT_S:
                    beat_s = now_s
                    age_s = 0.0 if newest is None else now_s - newest.made_s
                    await put(b'event: beat\ndata: {"age_s":%.1f}\n\n' % age_s)
                wait_s = beat_s + BEAT_S - time.monotonic()
                if self._feed.level != level:
                    wait_s = min(wait_s, level_s + LEVEL_S - time.monotonic())
                waiter = asyncio.ensure_future(newer.wait())
                either: set[asyncio.Future[Any]] = {waiter, gone}
                await asyncio.wait(either, timeout=max(0.0, wait_s), return_when=asyncio.FIRST_COMPLETED)
                waiter.cancel()


async def _left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
