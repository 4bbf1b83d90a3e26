"""One key without its bounces."""

from __future__ import annotations

BOUNCE_S = 0.03


class Contact:
    """Whether one key is held, without its bounces and without the keyboard's repeats.

    A release counts only once the key has stayed up for a while: a contact that bounces, and an X
    server that repeats a held key, press it again at once.  A press counts immediately.

    Parameters
    ----------
    bounce_s : float
        How long a key must stay up to count as released, in seconds.
    """

    def __init__(self, bounce_s: float = BOUNCE_S) -> None:
        self.held = False
        self._bounce_s = bounce_s
        self._up_s: float | None = None

    @property
    def up_s(self) -> float | None:
        """When the key went up, while that does not count yet; else None."""
        return self._up_s

    @property
    def settles_s(self) -> float | None:
        """When a release will count if nothing comes in between; None if none is pending."""
        return None if self._up_s is None else self._up_s + self._bounce_s

    def press(self) -> bool:
        """Take a press; True if it counts."""
        self._up_s = None
        counts, self.held = not self.held, True
        return counts

    def release(self, at_s: float) -> None:
        """Take a release; of several in a row the first one tells the time."""
        if self.held and self._up_s is None:
            self._up_s = at_s

    def settle(self, now_s: float) -> float | None:
        """Return the time of a release that counts by now, once; else None."""
        if self.settles_s is None or now_s < self.settles_s:
            return None
        up_s, self._up_s, self.held = self._up_s, None, False
        return up_s
