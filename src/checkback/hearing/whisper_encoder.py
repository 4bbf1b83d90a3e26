"""The half of a Whisper model that hears.

Architecture: Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision" (2022), section 2.2.
"""

from __future__ import annotations

import numpy as np

from checkback.hearing.eight_bits import Piece
from checkback.hearing.whisper_file import Array, as_numbers, heads_of, layers_of, read_weights

EXACT_LAYERS = 1
"""So many layers, the first ones, are computed in 32 bits: some of the numbers that come into them are so much larger
than the others that 8 bits leave little of those."""


class SoundEncoder:
    """The half of a model that hears.

    Parameters
    ----------
    data : bytes
        The contents of model.bin.
    threads : int
        Processors to use.

    Raises
    ------
    UnknownModelError
        If the file is none that this class can read.
    """

    def __init__(self, data: bytes, threads: int) -> None:
        stored = read_weights(data)

        def plain(name: str) -> Array:
            return as_numbers(stored, f"encoder/{name}")

        def times(x: str, name: str, layer: int) -> str:
            return piece.times(
                x, plain(f"{name}/weight"), plain(f"{name}/bias"), exactly=layer < EXACT_LAYERS
            )

        def norm(x: str, name: str) -> str:
            return piece.norm(x, plain(f"{name}/gamma"), plain(f"{name}/beta"))

        heads = heads_of(stored, "encoder")
        self._places = plain("position_encodings/encodings")
        first, second = plain("conv1/weight"), plain("conv2/weight")
        width = len(second)
        piece = Piece()
        x = piece.gelu(piece.convolve(piece.take(first.shape[1]), first, plain("conv1/bias")))
        x = piece.gelu(piece.convolve(x, second, plain("conv2/bias"), step=2))
        x = piece.add(x, piece.take(width))
        for n in range(layers_of(stored, "encoder")):
            own, inner = f"layer_{n}/self_attention", f"layer_{n}/ffn"
            mixed = times(norm(x, f"{own}/layer_norm"), f"{own}/linear_0", n)
            x = piece.add(x, times(piece.attend(mixed, heads, width), f"{own}/linear_1", n))
            beside = piece.gelu(times(norm(x, f"{inner}/layer_norm"), f"{inner}/linear_0", n))
            x = piece.add(x, times(beside, f"{inner}/linear_1", n))
        self._run = piece.ready(norm(x, "layer_norm"), threads=threads)

    def __call__(self, features: Array) -> Array:
        """Return what is made of a sound, shape (frames / 2, width).

        Parameters
        ----------
        features : ndarray of float32, shape (bands, frames)
            As from `log_mel`, with an even number of frames.
        """
        (found,) = self._run(np.ascontiguousarray(features.T), self._places[: features.shape[1] // 2])
        return found
