"""The server in a thread of its own; what happens to it never reaches the recording."""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import threading
from collections.abc import Callable
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from checkback.errors import UserError
from checkback.showing.feed import Feed
from checkback.showing.guard import Door, origin_of, reached_by_others
from checkback.showing.pages import WATCHERS, Pages, Words

IDLE_S = 10.0
"""A connection that has said nothing whole for so long is closed."""
SEND_BUFFER = 65_536
"""Bytes that the computer keeps for a page that does not read."""
CONNECTIONS = WATCHERS + 36


class Server:
    """Serves the pages until it is closed.

    Parameters
    ----------
    feed : Feed
    words : Words
    typed : callable or None
        See `Pages`.
    host : str
        Address to bind to.
    port : int
        0: one that is free.
    token : str or None
        What is to be entered first.
    address : str or None
        See `Door`.
    show : callable
        Is given one line if the server ends by itself.

    Raises
    ------
    UserError
        If the address cannot be bound to.
    """

    def __init__(
        self,
        feed: Feed,
        words: Words,
        typed: Callable[[str], None] | None,
        *,
        host: str,
        port: int,
        token: str | None,
        address: str | None = None,
        show: Callable[[str], None],
    ) -> None:
        if token is None and reached_by_others(host, address):
            raise UserError(
                f"The display at {host if address is None else address} is reached from other computers: "
                "it needs a token"
            )
        if address is not None and origin_of(address) is None:
            raise UserError(f"display.address {address} cannot be one: write it as https://wall.example:8443")
        self._feed = feed
        self._show = show
        self._socket = bound_to(host, port)
        self.port: int = self._socket.getsockname()[1]
        self.open_connections: dict[Any, asyncio.Transport] = {}
        pages = Pages(feed, words, typed)
        pages.door = door = Door(pages.application(), host=host, token=token, port=self.port, address=address)
        pages.drop = lambda scope: self._drop(scope.get("client"))
        # what strangers send is not worth a line on the operator's screen
        quiet = logging.getLogger("uvicorn")
        quiet.propagate = False
        quiet.addHandler(logging.NullHandler())
        self._server = uvicorn.Server(
            uvicorn.Config(
                door,
                http=_protocol(self.open_connections),
                loop="asyncio",
                ws="none",
                lifespan="off",
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                limit_concurrency=CONNECTIONS,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=1,
                h11_max_incomplete_event_size=16_384,
            )
        )
        self._thread = threading.Thread(target=self._run, name="display", daemon=True)

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def close(self) -> None:
        """Tell the pages that the program ends, and end the server; waits 3 s at most."""
        self._feed.close()
        self._server.should_exit = True
        if self._thread.ident is not None:
            self._thread.join(timeout=3.0)
        self._socket.close()

    @property
    def alive(self) -> bool:
        """Whether it serves."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # whatever it is, it must end here
            self._show(f"the display failed ({type(error).__name__}: {error}); recording goes on without it")
            return
        if not self._server.should_exit:
            self._show("the display ended by itself; recording goes on without it")

    async def _serve(self) -> None:
        self._feed.attach(asyncio.get_running_loop())
        await self._server.serve(sockets=[self._socket])

    def _drop(self, client: Any) -> None:
        transport = self.open_connections.get(client)
        if transport is not None:
            transport.abort()


def bound_to(host: str, port: int) -> socket.socket:
    """Return a socket that listens at an address.

    Raises
    ------
    UserError
        If there is no such address, or the port is taken.
    """
    try:
        (family, kind, protocol, _, address), *_ = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        bound = socket.socket(family, kind, protocol)
        try:
            if os.name == "posix":
                # elsewhere it would let two programs share the port
                bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            bound.bind(address)
            bound.listen(64)
        except OSError:
            bound.close()
            raise
    except OSError as error:
        raise UserError(
            f"The display cannot be served at {host}, port {port} ({error.strerror}): set another display.port or display.host"
        ) from None
    return bound


def _protocol(open_connections: dict[Any, asyncio.Transport]) -> type[H11Protocol]:
    """Return a protocol whose connections are known, bounded, and closed if nothing comes."""

    class Watched(H11Protocol):
        _timer: asyncio.TimerHandle | None = None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            open_connections[self.client] = transport
            taken = transport.get_extra_info("socket")
            if taken is not None:
                taken.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
            self._watch()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            self._watch()

        def connection_lost(self, exc: Exception | None) -> None:
            open_connections.pop(self.client, None)
            if self._timer is not None:
                self._timer.cancel()
            super().connection_lost(exc)

        def _watch(self) -> None:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = self.loop.call_later(IDLE_S, self._give_up)

        def _give_up(self) -> None:
            if self.cycle is None or self.cycle.response_complete:
                self.transport.abort()

    return Watched
