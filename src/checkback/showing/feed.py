"""The newest snapshot and level, for as many pages as there are: nothing waits in a queue for anyone."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from checkback.showing.plain import Snapshot


class Feed:
    """Holds the newest snapshot and wakes those who wait for a newer one.

    `put`, `put_level` and `close` may be called from any thread; the rest belongs to the server's.
    """

    def __init__(self) -> None:
        self.newest: Snapshot | None = None
        self.level: int | None = None
        self.closed = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: set[asyncio.Event] = set()

    def put(self, snapshot: Snapshot) -> None:
        """Make `snapshot` the newest; returns at once."""
        self.newest = snapshot
        self._tell()

    def put_level(self, level: int | None) -> None:
        """Take the step of the level meter that is lit now; None: nothing is measured.  Returns at once."""
        if level != self.level:
            self.level = level
            self._tell()

    def close(self) -> None:
        """Let everyone who waits go."""
        self.closed = True
        self._tell()

    def _tell(self) -> None:
        loop = self._loop
        if loop is not None:
            # the server may be gone
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(self._wake)

    def _wake(self) -> None:
        for event in self._waiting:
            event.set()

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Name the loop of the server, in which those who wait are woken."""
        self._loop = loop

    @contextmanager
    def waiting(self) -> Iterator[asyncio.Event]:
        """Give an event that is set whenever there is a newer snapshot."""
        event = asyncio.Event()
        self._waiting.add(event)
        try:
            yield event
        finally:
            self._waiting.discard(event)

    @property
    def watchers(self) -> int:
        """How many wait."""
        return len(self._waiting)
