"""Which phones a tuned Whisper model hears in each frame: a small network behind the half of the model that hears.

Three layers, learnt from call-outs in noise with the rest of the model left as it was
(`benchmarks/tune_phones.py`).  What comes of it is laid against sentences in `checkback.hearing.ctc`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from checkback.hearing.eight_bits import Piece
from checkback.hearing.phonetic import PHONES
from checkback.hearing.whisper_file import Array


class PhonePosteriors:
    """The network.

    Parameters
    ----------
    learnt : Path
        Arrays first/weight and second/weight of shape (outputs, inputs, 3), last/weight of shape
        (phones + 1, inputs), and a bias for each; and behind, the SHA-256 of the tuning behind which it was learnt.
    threads : int
        Processors to use.
    """

    def __init__(self, learnt: Path, threads: int) -> None:
        with np.load(learnt) as arrays:
            layers = {name: arrays[name].astype(np.float32) for name in arrays.files if "/" in name}
        piece = Piece()

        def convolved(x: str, name: str) -> str:
            return piece.gelu(piece.convolve(x, layers[f"{name}/weight"], layers[f"{name}/bias"]))

        first = convolved(piece.take(layers["first/weight"].shape[1]), "first")
        second = piece.add(first, convolved(first, "second"))
        last = piece.times(second, layers["last/weight"], layers["last/bias"], exactly=True)
        assert len(layers["last/bias"]) == len(PHONES) + 1
        self._run = piece.ready(last, threads=threads)

    def __call__(self, encoded: Array) -> Array:
        """Return the natural logarithm of the probability of each phone and of the blank, by frame.

        Parameters
        ----------
        encoded : ndarray of float32, shape (frames, width)
            What the half that hears makes of a sound, 50 frames a second.

        Returns
        -------
        ndarray of float32, shape (frames, phones + 1)
        """
        (scores,) = self._run(encoded)
        scores = scores - scores.max(axis=1, keepdims=True)
        return np.asarray(scores - np.log(np.exp(scores).sum(axis=1, keepdims=True)), np.float32)
