"""The port that every voice stands behind."""

from __future__ import annotations

from typing import Protocol


class Voice(Protocol):
    """Says short sentences, one after the other, without holding up the caller."""

    name: str

    def say(self, text: str) -> None:
        """Queue `text`; returns at once."""
        ...

    def stop(self) -> None:
        """Fall silent now and drop what is queued."""
        ...

    @property
    def speaking(self) -> bool:
        """True from the moment a sentence is queued until its last sample was played."""
        ...

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Finish what is queued, at most `timeout_s`, then end the child process."""
        ...
