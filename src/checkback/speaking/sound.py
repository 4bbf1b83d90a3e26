"""Mono sound of the voice: trimmed, resampled, put together, and where it can be cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray

Pcm = NDArray[np.int16]

_INAUDIBLE = 100  # of 32767: -50 dB
_EDGE_S = 0.01
_LOOK_AHEAD_S = 0.6


@dataclass(frozen=True, slots=True)
class Sound:
    """Mono sound.

    Attributes
    ----------
    pcm : ndarray of int16, shape (samples,)
        The samples.
    rate_hz : int
        Samples per second.
    words : tuple of int
        Where words begin, as places in `pcm`; empty if the engine does not tell.
    """

    pcm: Pcm
    rate_hz: int
    words: tuple[int, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.pcm) / self.rate_hz

    def trimmed(self) -> Sound:
        """Return the sound without the silence at its ends, but for 10 ms; empty if all is silence."""
        audible = np.flatnonzero(np.abs(self.pcm.astype(np.int32)) > _INAUDIBLE)
        if not audible.size:
            return Sound(self.pcm[:0], self.rate_hz)
        edge = round(_EDGE_S * self.rate_hz)
        first = max(0, int(audible[0]) - edge)
        words = tuple(max(0, word - first) for word in self.words)
        return Sound(self.pcm[first : audible[-1] + 1 + edge], self.rate_hz, words)

    def at_rate(self, rate_hz: int) -> Sound:
        """Return the sound resampled to `rate_hz`."""
        if rate_hz == self.rate_hz:
            return self
        words = tuple(round(word * rate_hz / self.rate_hz) for word in self.words)
        return Sound(soxr.resample(self.pcm, self.rate_hz, rate_hz), rate_hz, words)

    def after(self, first: Sound) -> Sound:
        """Return `first` with this sound behind it, at this sound's rate."""
        head = first.at_rate(self.rate_hz)
        words = tuple(len(head.pcm) + word for word in self.words)
        return Sound(np.concatenate([head.pcm, self.pcm]), self.rate_hz, (*head.words, *words))

    def boundary_after(self, sample: int) -> int:
        """Return where it can be cut: where the next word begins, else the next quiet place.

        Looks 0.6 s ahead, and returns the quietest place there if no word begins.
        """
        until = sample + round(_LOOK_AHEAD_S * self.rate_hz)
        if until >= len(self.pcm):
            until = len(self.pcm)
        if (word := next((word for word in self.words if sample <= word < until), None)) is not None:
            return word
        frame = round(_EDGE_S * self.rate_hz)
        frames = self.pcm[sample:until]
        frames = frames[: len(frames) // frame * frame].reshape(-1, frame).astype(np.float64)
        if not len(frames):
            return until
        return sample + frame * int(np.argmin(np.square(frames).mean(axis=1)))
