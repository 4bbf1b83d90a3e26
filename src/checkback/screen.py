"""Standard output and error, made so that nothing shown can ever stop the recording."""

from __future__ import annotations

import codecs
import errno
import os
import sys
from contextlib import suppress
from typing import TextIO

PLAIN = {
    "✓": "+", "✗": "!", "–": "-", "»": ">", "→": ">", "…": ".", "─": "-", "µ": "u", "×": "x", "²": "2",
    "°": " ", "“": '"', "”": '"', "’": "'",
}  # fmt: skip
"""What stands for a sign on a screen that lacks it; "?" would be taken for a question."""


def _plainly(error: UnicodeError) -> tuple[str, int]:
    """Replace what a screen cannot show; an error handler of `codecs`."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(PLAIN.get(sign, "?") for sign in error.object[error.start : error.end]), error.end


codecs.register_error("plainly", _plainly)


class LastingStream:
    """A text stream that takes everything, also once nobody reads it or its disk is full.

    Parameters
    ----------
    stream : text stream
        Where it goes as long as that is possible.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def __getattr__(self, name: str) -> object:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """Write what can be written; never raises."""
        with suppress(OSError, ValueError):
            return self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Flush if that is possible; never raises."""
        try:
            self._stream.flush()
        except OSError as error:
            if error.errno == errno.EPIPE:
                let_go(self._stream)
        except ValueError:
            pass


def let_go(stream: TextIO) -> None:
    """Send all that is still to come into the void, so that a reader who left makes no noise."""
    with suppress(OSError, ValueError):
        void = os.open(os.devnull, os.O_WRONLY)
        os.dup2(void, stream.fileno())
        os.close(void)


def prepare() -> None:
    """Make the standard streams take and give any text; one that was closed leads nowhere."""
    if sys.stdin is None:
        sys.stdin = open(os.devnull, encoding="utf-8")  # noqa: PTH123, SIM115
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115
    for stream, errors in ((sys.stdin, "replace"), (sys.stdout, "plainly"), (sys.stderr, "plainly")):
        # streams that a test or an editor put there need not be files
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=errors)


def outlast_readers() -> None:
    """From now on nothing that is shown raises: for commands that keep a record."""
    sys.stdout = LastingStream(sys.stdout)
    sys.stderr = LastingStream(sys.stderr)


def finish() -> None:
    """Flush; a reader who left does not matter any more."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            let_go(stream)
