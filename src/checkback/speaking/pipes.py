"""Talking with a child process: one JSON line, then as many 16-bit samples as it announces."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from typing import IO, Any

Message = tuple[dict[str, Any], bytes]
"""A header, and mono 16-bit samples in the machine's byte order; its `samples` says how many."""

_SEND_LIMIT_S = 2.0


def send(stream: IO[bytes], header: dict[str, Any], pcm: bytes = b"") -> None:
    """Write one message.

    Raises
    ------
    OSError
        If the other side is gone.
    """
    stream.write(json.dumps({**header, "samples": len(pcm) // 2}).encode() + b"\n" + pcm)
    stream.flush()


def receive(stream: IO[bytes]) -> Message | None:
    """Wait for one message; None if the other side is gone, or wrote something else."""
    line = stream.readline()
    try:
        header = json.loads(line)
        size = 2 * header["samples"]
    except (ValueError, KeyError, TypeError):
        return None
    pcm = stream.read(size)
    return (header, pcm) if len(pcm) == size else None


class Child:
    """A running child process, and the thread that reads what it writes.

    Parameters
    ----------
    module : str
        Python module to run.
    settings : dict
        Becomes the module's only argument, as JSON.
    on_message : callable
        Is given each message in the reading thread, and None once the child is gone.

    Raises
    ------
    OSError
        If no process can be started.
    """

    def __init__(
        self, module: str, settings: dict[str, Any], on_message: Callable[[Message | None], None]
    ) -> None:
        self._complaints = tempfile.TemporaryFile()  # noqa: SIM115  lives as long as the child
        self._process = subprocess.Popen(
            [sys.executable, "-m", module, json.dumps(settings)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._complaints,
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._requests = self._process.stdin
        self._answers = self._process.stdout
        self._on_message = on_message
        self._reader = threading.Thread(target=self._read, name=f"{module} reader", daemon=True)
        self._reader.start()

    @property
    def pid(self) -> int:
        """Its process number."""
        return self._process.pid

    def send(self, header: dict[str, Any], pcm: bytes = b"") -> None:
        """Send one message; that the child is gone is noticed by what it does not answer.

        A child that does not take it is killed.
        """
        guard = threading.Timer(_SEND_LIMIT_S, self._process.kill)
        guard.start()
        with contextlib.suppress(OSError):
            send(self._requests, header, pcm)
        guard.cancel()

    def last_complaint(self) -> str:
        """Return the last line that it wrote to its standard error, after a colon, or nothing."""
        self._complaints.seek(0)
        lines = self._complaints.read().decode(errors="replace").split("\n")
        return next((f": {line.strip()}" for line in reversed(lines) if line.strip()), "")

    def end(self) -> None:
        """Kill it, if it still runs, and let go of its pipes."""
        self._process.kill()
        self._process.wait()
        self._reader.join()
        for pipe in (self._requests, self._answers, self._complaints):
            # Closing flushes what a dead child never took.
            with contextlib.suppress(OSError):
                pipe.close()

    def _read(self) -> None:
        while (message := receive(self._answers)) is not None:
            self._on_message(message)
        self._on_message(None)


def attach(on_message: Callable[[Message], None]) -> IO[bytes]:
    """Connect this child process to its parent, and end it together with the parent.

    Parameters
    ----------
    on_message : callable
        Is given each message in a thread of its own.

    Returns
    -------
    binary stream
        Where messages to the parent are written.
    """
    # Ctrl-C in a terminal reaches the whole group; the parent decides when its voice ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Libraries print; what they print must not get in between the messages.
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

    def listen() -> None:
        while (message := receive(sys.stdin.buffer)) is not None:
            on_message(message)
        os._exit(0)  # even in the middle of a library that hangs

    threading.Thread(target=listen, daemon=True).start()
    return answers
