"""The features that a Whisper model takes: a logarithmic mel spectrogram.

Definition: Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision" (2022), section
2.2; the mel scale is that of Slaney's Auditory Toolbox (1998), linear below 1 kHz.  The library that
usually computes them brings a collection of video codecs along, which this needs nothing of.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm

Features = NDArray[np.float32]

HOP_SAMPLES = 160
"""One frame every 10 ms."""

WINDOW_SAMPLES = 400
"""Each of 25 ms."""

FRAMES_PER_S = SAMPLE_RATE_HZ // HOP_SAMPLES

#: The mel scale: 200/3 Hz a step up to 1 kHz, from there 27 steps for each factor of 6.4.
_LINEAR_STEP_HZ = 200 / 3
_BREAK_HZ = 1_000.0
_BREAK_MEL = _BREAK_HZ / _LINEAR_STEP_HZ
_LOG_STEP = np.log(6.4) / 27

#: What is this much quieter than the loudest (decades of power) counts as silence.
_RANGE_DECADES = 8.0
_LEAST_POWER = 1e-10


def _hz(mel: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(
        mel < _BREAK_MEL, mel * _LINEAR_STEP_HZ, _BREAK_HZ * np.exp((mel - _BREAK_MEL) * _LOG_STEP)
    )


@cache
def mel_filters(bands: int) -> Features:
    """Return triangular filters of equal area, evenly spaced in mel up to half the sampling rate.

    Returns
    -------
    ndarray of float32, shape (bands, 201)
    """
    top_mel = _BREAK_MEL + np.log(SAMPLE_RATE_HZ / 2 / _BREAK_HZ) / _LOG_STEP
    corners = _hz(np.linspace(0.0, top_mel, bands + 2))
    low, middle, high = (corners[n : n + bands, None] for n in range(3))
    bins = np.fft.rfftfreq(WINDOW_SAMPLES, 1 / SAMPLE_RATE_HZ)
    rising, falling = (bins - low) / (middle - low), (high - bins) / (high - middle)
    area = 2 / (high - low)
    return np.asarray(np.maximum(0.0, np.minimum(rising, falling)) * area, dtype=np.float32)


@cache
def _window() -> Features:
    return np.hanning(WINDOW_SAMPLES + 1)[:-1].astype(np.float32)


def log_mel(pcm: Pcm, frames: int, bands: int = 80) -> Features:
    """Compute the features of a sound, padded with silence or cut to a number of frames.

    Parameters
    ----------
    pcm : ndarray of int16, shape (samples,)
        Mono sound at 16 kHz.
    frames : int
        Number of frames of 10 ms.
    bands : int
        Number of mel bands: 80, or 128 for the largest models.

    Returns
    -------
    ndarray of float32, shape (bands, frames)
    """
    sound = np.zeros(frames * HOP_SAMPLES, dtype=np.float32)
    length = min(len(pcm), len(sound))
    sound[:length] = pcm[:length].astype(np.float32) / 32_768
    padded = np.pad(sound, WINDOW_SAMPLES // 2, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, WINDOW_SAMPLES)[::HOP_SAMPLES][:frames]
    power = np.abs(np.fft.rfft(windows * _window()).astype(np.complex64)) ** 2
    decades = np.log10(np.maximum(mel_filters(bands) @ power.T, _LEAST_POWER))
    decades = np.maximum(decades, decades.max() - _RANGE_DECADES)
    return np.asarray((decades + 4.0) / 4.0, dtype=np.float32)
