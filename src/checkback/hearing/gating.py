"""Spectral gating: in each frequency, what does not stand out of a sound's quietest moments is turned down.

The method is common practice; the measures were chosen on the development side of the benchmark
(`benchmarks/noise_tried.py --only no-gating`, docs/hearing_tried.md).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.recogniser import Pcm

#: 64 ms at 16 kHz, of which each begins 16 ms after the one before.
_FRAME = 1024
_HOP = 256

#: The share of frames that is taken for the room without speech: of a short call-out what is kept before the first
#: word and behind the last, of a long one also its pauses.  Fewer frames than the least tell nothing.
_QUIETEST = 0.2
_LEAST_FRAMES = 6

#: Frames that are not whole, because the sound begins or ends in them.
_EDGE_FRAMES = 2

#: What is louder than the mean of these by so many standard deviations, in decibels, stays.
_DEVIATIONS = 1.5

#: What does not is left at this share of its amplitude: without any of it words lose their quiet sounds.
_LEFT = 0.2

#: Over so many frequencies (250 Hz) and frames (48 ms) to either side the change is spread.
_SPREAD_BINS, _SPREAD_FRAMES = 16, 3

#: So many samples at the end may still become others when the sound goes on.
MARGIN = _FRAME + _SPREAD_FRAMES * _HOP


def _triangle(reach: int) -> NDArray[np.float64]:
    rising = np.arange(1.0, reach + 2)
    shape: NDArray[np.float64] = np.concatenate([rising, rising[-2::-1]])
    return np.asarray(shape / shape.sum())


def _spreading(bins: int) -> NDArray[np.float64]:
    """Return the matrix that spreads values over neighbouring frequencies."""
    shape = _triangle(_SPREAD_BINS)
    spread = np.array([np.convolve(row, shape, "same") for row in np.eye(bins)])
    return np.asarray(spread / spread.sum(axis=0))


_WINDOW = np.hanning(_FRAME + 1)[:-1]
_OVER_BINS = _spreading(_FRAME // 2 + 1)
_OVER_FRAMES = _triangle(_SPREAD_FRAMES)


def _frames(sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return overlapping pieces, the first and the last with silence in one half."""
    around = np.pad(sound, (_FRAME // 2, _FRAME // 2 + _HOP))
    return np.lib.stride_tricks.sliding_window_view(around, _FRAME)[::_HOP]


def _decibels(spectra: NDArray[np.complex128]) -> NDArray[np.float64]:
    # one step of a 16-bit sample is silence
    return np.asarray(10.0 * np.log10(np.square(spectra.real) + np.square(spectra.imag) + 1.0))


class Gate:
    """Turns down what a sound has in its quietest moments too.

    Parameters
    ----------
    pcm : ndarray of int16, shape (samples,)
        Sound at 16 kHz from which the noise is learnt; too short a sound teaches nothing.
    """

    def __init__(self, pcm: Pcm) -> None:
        spectra = np.fft.rfft(_frames(pcm.astype(np.float64)) * _WINDOW)[_EDGE_FRAMES : -_EDGE_FRAMES - 1]
        count = max(_LEAST_FRAMES, int(_QUIETEST * len(spectra)))
        self._threshold: NDArray[np.float64] | None = None
        if len(spectra) >= count:
            levels = _decibels(spectra)
            loudness = np.sum(np.square(np.abs(spectra)), axis=1)
            quietest = levels[np.argsort(loudness, kind="stable")[:count]]
            self._threshold = quietest.mean(axis=0) + _DEVIATIONS * quietest.std(axis=0)

    def __call__(self, pcm: Pcm, since: int = 0) -> Pcm:
        """Gate a sound.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            From its beginning.
        since : int
            First sample that is wanted; what was before is needed all the same.

        Returns
        -------
        ndarray of int16, shape (samples - since,)
            All but the last `MARGIN` stay the same when the sound goes on.
        """
        if self._threshold is None or since >= len(pcm):
            return pcm[since:]
        begin = max(0, since - MARGIN) // _HOP * _HOP
        sound = pcm[begin:].astype(np.float64)
        spectra = np.fft.rfft(_frames(sound) * _WINDOW)
        kept = np.where(_decibels(spectra) > self._threshold, 1.0, _LEFT) @ _OVER_BINS
        around = np.pad(kept, ((_SPREAD_FRAMES, _SPREAD_FRAMES), (0, 0)), mode="edge")
        spread = sum(share * around[n : n + len(kept)] for n, share in enumerate(_OVER_FRAMES))
        pieces = np.fft.irfft(spectra * spread, _FRAME) * _WINDOW
        out = np.zeros((len(pieces) - 1) * _HOP + _FRAME)
        weight = np.zeros_like(out)
        for n, piece in enumerate(pieces):
            out[n * _HOP : n * _HOP + _FRAME] += piece
            weight[n * _HOP : n * _HOP + _FRAME] += np.square(_WINDOW)
        middle = slice(_FRAME // 2, _FRAME // 2 + len(sound))
        clean = out[middle] / np.maximum(weight[middle], 1e-8)
        return np.round(np.clip(clean, -32_768, 32_767)).astype(np.int16)[since - begin :]
