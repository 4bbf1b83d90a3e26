"""How loud the microphone hears: a meter, clipping, and a microphone that gives nothing but zeros."""

from __future__ import annotations

from typing import Literal

import numpy as np

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm

Notice = Literal["microphone_silent", "microphone_loud"]
"""What is wrong, by its key in the phrasebook's replies."""

FLOOR_DBFS = -100.0
"""What is shown for silence, which has no level."""

SILENT_AFTER_S = 30.0
"""Nothing but zeros for so long: no room is so quiet, the microphone is muted or not connected."""

FINE_AFTER_S = 60.0
"""So long without clipping, and clipping is told again."""

_FALL = 0.7  # per block of 30 ms: the meter falls by 10 dB in a fifth of a second
_FULL = 32_700
_FULL_IN_A_ROW = 3
_CLIPPED_BLOCKS = 4
_CLIPPED_WITHIN_S = 2.0
_FRAME_SAMPLES = SAMPLE_RATE_HZ // 50
_LOUD_SHARE, _QUIET_SHARE = 0.9, 0.1


class Meter:
    """Follows the level of a stream of blocks.

    Attributes
    ----------
    level_dbfs : float
        Level in dB of full scale (0 is a square wave of full scale): at once up, slowly down.
    clipping : bool
        Whether the microphone was too loud and has not been fine since.
    silent : bool
        Whether there were nothing but zeros for a while.
    """

    def __init__(self) -> None:
        self.level_dbfs = FLOOR_DBFS
        self.clipping = False
        self.silent = False
        self._power = 0.0
        self._sounded_s: float | None = None
        self._clipped_s: list[float] = []

    def feed(self, pcm: Pcm, start_s: float, *, own_voice: bool = False) -> Notice | None:
        """Take a block; return what is to be told now.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
        start_s : float
            Time of its first sample, s.
        own_voice : bool
            The program itself speaks: what clips then harms nothing.
        """
        power = float(np.mean(np.square(pcm, dtype=np.float64))) / 32_768**2
        self._power = max(power, _FALL * self._power)
        self.level_dbfs = max(FLOOR_DBFS, 10 * float(np.log10(self._power))) if self._power else FLOOR_DBFS
        if self._sounded_s is None or power > 0.0:
            self._sounded_s = start_s
            self.silent = self.silent and power == 0.0
        if not self.silent and start_s - self._sounded_s >= SILENT_AFTER_S:
            self.silent = True
            return "microphone_silent"
        if self._clipped_s and start_s - self._clipped_s[-1] >= FINE_AFTER_S:
            self.clipping = False
            self._clipped_s.clear()
        if own_voice or not _clips(pcm):
            return None
        self._clipped_s = [*self._clipped_s, start_s][-_CLIPPED_BLOCKS:]
        many = len(self._clipped_s) == _CLIPPED_BLOCKS
        if self.clipping or not many or start_s - self._clipped_s[0] > _CLIPPED_WITHIN_S:
            return None
        self.clipping = True
        return "microphone_loud"

    def lost(self) -> None:
        """Note that no blocks come any more."""
        self.level_dbfs = FLOOR_DBFS
        self._power = 0.0
        self._sounded_s = None


def _clips(pcm: Pcm) -> bool:
    """Whether a few samples in a row are at the end of the scale: what was above it is cut off."""
    full = np.abs(pcm.astype(np.int32)) >= _FULL
    if not full.any():
        return False
    runs = np.convolve(full, np.ones(_FULL_IN_A_ROW), mode="valid")
    return bool((runs == _FULL_IN_A_ROW).any())


def stands_out_db(pcm: Pcm) -> float:
    """Return how far the loud parts of an utterance stand out of its quiet ones.

    Parameters
    ----------
    pcm : ndarray of int16, shape (samples,)
        Mono sound at 16 kHz, with a little of the room before the first word.

    Returns
    -------
    float
        Decibels between the 90th and the 10th percentile of the power of frames of 20 ms; 0 for less than one.
    """
    frames = pcm[: len(pcm) // _FRAME_SAMPLES * _FRAME_SAMPLES].reshape(-1, _FRAME_SAMPLES)
    if not len(frames):
        return 0.0
    power = np.mean(np.square(frames.astype(np.float64)), axis=1) + 1.0
    quiet, loud = np.quantile(power, [_QUIET_SHARE, _LOUD_SHARE])
    return round(float(10 * np.log10(loud / quiet)), 2)
