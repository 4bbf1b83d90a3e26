"""Which phones are heard in each frame: a small network that hears the sound itself, and needs no model beside it.

Layers of convolutions along time (a depthwise one and two matrices in each, Liu et al., "A ConvNet for the 2020s",
2022), learnt from call-outs and any words of English in noise by `benchmarks/learn_phones.py` as connectionist
temporal classification.  What comes of it is laid against sentences in `checkback.hearing.ctc`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from threadpoolctl import ThreadpoolController

from checkback.hearing.log_mel import HOP_SAMPLES, log_mel
from checkback.hearing.phonetic import PHONES
from checkback.hearing.recogniser import Pcm
from checkback.hearing.whisper_file import Array

LEARNT = Path(__file__).with_name("tuning") / "phones.npz"

BANDS = 80
"""Of the spectrogram."""

STEP = 3
"""So many frames of the spectrogram are one of the network: 30 ms."""

LEAST_SPREAD = 2.5e-4
"""Added to the spread of a sound, so that silence has one."""

_EPSILON = 1e-5


class PhoneNetwork:
    """The network.

    Parameters
    ----------
    learnt : Path
        Arrays in the order in which they are used: a convolution of the spectrogram by `STEP` (first), a norm
        behind it (first_norm), for each layer a depthwise convolution (deep), a norm and two matrices (up, down),
        a norm and a matrix (last); each with weight and bias.
    """

    def __init__(self, learnt: Path = LEARNT) -> None:
        with np.load(learnt) as arrays:
            self._layers: dict[str, Array] = {name: arrays[name].astype(np.float32) for name in arrays.files}
        self._depth = sum(name.startswith("deep/") and name.endswith("/weight") for name in self._layers)
        assert len(self._layers["last/bias"]) == len(PHONES) + 1
        self._threads = ThreadpoolController()

    def __call__(self, pcm: Pcm) -> Array:
        """Return the natural logarithm of the probability of each phone and of the blank, by frame.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            Mono sound at 16 kHz.

        Returns
        -------
        ndarray of float32, shape (frames, phones + 1)
            A frame each 30 ms; none if there is no sound.
        """
        # more threads would wait for each other, and keep the processors from the listeners
        with self._threads.limit(limits=1, user_api="blas"):
            return self._heard(spectrogram(pcm))

    def _heard(self, x: Array) -> Array:
        frames = -(-len(x) // STEP)
        if not frames:
            return np.zeros((0, len(PHONES) + 1), np.float32)
        x = self._norm(np.maximum(self._convolved(x, frames), 0.0), "first_norm")
        for n in range(self._depth):
            inner = self._times(self._norm(self._deep(x, f"deep/{n}"), f"norm/{n}"), f"up/{n}")
            x = x + self._times(np.maximum(inner, 0.0), f"down/{n}")
        scores = self._times(self._norm(x, "last_norm"), "last")
        scores = scores - scores.max(axis=1, keepdims=True)
        return np.asarray(scores - np.log(np.exp(scores).sum(axis=1, keepdims=True)), np.float32)

    def _convolved(self, x: Array, frames: int) -> Array:
        """Return each third frame with those about it, times a matrix."""
        width = self._layers["first/weight"].shape[2]
        before = (width - STEP) // 2
        padded = np.pad(x, ((before, frames * STEP + width - len(x)), (0, 0)))
        windows = np.lib.stride_tricks.sliding_window_view(padded, width, axis=0)[: frames * STEP : STEP]
        return self._times(windows.reshape(frames, -1), "first")

    def _deep(self, x: Array, name: str) -> Array:
        """Return a convolution of each channel by itself."""
        weight = self._layers[f"{name}/weight"][:, 0]
        width = weight.shape[1]
        padded = np.pad(x, ((width // 2, width // 2), (0, 0)))
        found = padded[: len(x)] * weight[:, 0]
        for n in range(1, width):
            found += padded[n : n + len(x)] * weight[:, n]
        return np.asarray(found + self._layers[f"{name}/bias"])

    def _times(self, x: Array, name: str) -> Array:
        weight, bias = self._layers[f"{name}/weight"], self._layers[f"{name}/bias"]
        return np.asarray(x @ weight.reshape(len(weight), -1).T + bias)

    def _norm(self, x: Array, name: str) -> Array:
        x = x - x.mean(axis=1, keepdims=True)
        spread = np.sqrt(np.square(x).mean(axis=1, keepdims=True) + _EPSILON)
        return np.asarray(x / spread * self._layers[f"{name}/weight"] + self._layers[f"{name}/bias"])


def spectrogram(pcm: Pcm) -> Array:
    """Return what the network takes: a logarithmic mel spectrogram, each band with a mean of zero over the sound.

    Returns
    -------
    ndarray of float32, shape (frames of 10 ms, bands)
        With a spread of about one over all of it.
    """
    if len(pcm) < HOP_SAMPLES:
        return np.zeros((0, BANDS), np.float32)
    x = log_mel(pcm, len(pcm) // HOP_SAMPLES, BANDS).T
    x = x - x.mean(axis=0)
    return np.asarray(x / (x.std() + LEAST_SPREAD), np.float32)
