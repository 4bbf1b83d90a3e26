"""The file that holds a Whisper model: what is in it, and the same file with its weights a little changed.

File: the model format of CTranslate2 (github.com/OpenNMT/CTranslate2, docs/quantization.md and
python/ctranslate2/specs/model_spec.py), weights in 8, 16 or 32 bits.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]

_KINDS: Mapping[int, type[np.generic]] = {
    0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16,
}  # fmt: skip
"""Number types of the file format that a Whisper model uses."""

_OLDEST, _NEWEST = 2, 6
"""Versions of the file format that can be read."""

_MOST_APART = 0.05
"""By how much the weights of a model may differ from those that a change was made for, against their spread.

Weights kept in 8 bits differ by 0.01 to 0.02 of it, those of another model of the same size by more than 0.5.
"""

REFERENCE = 256
"""Weights of each matrix by which a change knows its model."""


class UnknownModelError(ValueError):
    """The file cannot be read by this module; the message says why."""


@dataclass(frozen=True)
class _Place:
    """Where an array is in the file."""

    at: int
    dtype: np.dtype[np.generic]
    shape: tuple[int, ...]

    def array(self, data: bytes | bytearray) -> NDArray[np.generic]:
        return np.frombuffer(data, self.dtype, int(np.prod(self.shape)), self.at).reshape(self.shape)


def _places(data: bytes | bytearray) -> dict[str, _Place]:
    at = 0

    def number(kind: str) -> int:
        nonlocal at
        (value,) = struct.unpack_from(f"<{kind}", data, at)
        at += struct.calcsize(kind)
        return int(value)

    def text() -> str:
        nonlocal at
        length = number("H")
        at += length
        return bytes(data[at - length : at - 1]).decode()

    try:
        version = number("I")
        if not _OLDEST <= version <= _NEWEST:
            raise UnknownModelError(f"version {version} of the file format")
        text()
        number("I")
        found: dict[str, _Place] = {}
        for _ in range(number("I")):
            name = text()
            shape = tuple(number("I") for _ in range(number("B")))
            kind, size = number("B"), number("I")
            if kind not in _KINDS:
                raise UnknownModelError(f"number type {kind} of {name}")
            place = found[name] = _Place(at, np.dtype(_KINDS[kind]), shape)
            at += size
            if int(np.prod(shape)) * place.dtype.itemsize != size or at > len(data):
                raise UnknownModelError(f"{name} is not whole")
        for _ in range(number("I")):
            alias, name = text(), text()
            found[alias] = found[name]
    except (struct.error, UnicodeDecodeError, KeyError, ValueError) as error:
        raise UnknownModelError(str(error)) from error
    return found


def read_weights(data: bytes) -> dict[str, NDArray[np.generic]]:
    """Return the arrays of a model file by name, as they are stored.

    Parameters
    ----------
    data : bytes
        The contents of model.bin.

    Raises
    ------
    UnknownModelError
        If it is no such file, or of another version.
    """
    return {name: place.array(data) for name, place in _places(data).items()}


def as_numbers(stored: Mapping[str, NDArray[np.generic]], name: str) -> Array:
    """Return an array as 32-bit numbers, however it is stored.

    Raises
    ------
    UnknownModelError
        If it is not there, or of another number type.
    """
    if name not in stored:
        raise UnknownModelError(f"there is no {name}")
    value = stored[name]
    if value.dtype == np.int8:
        scale = stored[f"{name}_scale"].astype(np.float32)
        return np.asarray(value.astype(np.float32) / scale.reshape(-1, *[1] * (value.ndim - 1)))
    if value.dtype not in (np.float16, np.float32):
        raise UnknownModelError(f"number type {value.dtype} of {name}")
    return value.astype(np.float32)


def layers_of(stored: Mapping[str, NDArray[np.generic]], half: str) -> int:
    """Return how many layers a half of the model has, "encoder" or "decoder"."""
    return sum(re.fullmatch(rf"{half}/layer_\d+/ffn/linear_0/weight", name) is not None for name in stored)


def heads_of(stored: Mapping[str, NDArray[np.generic]], half: str) -> int:
    """Return how many heads a half of the model has.

    Raises
    ------
    UnknownModelError
        If it does not say, or its layer norms come last.
    """
    try:
        heads = int(stored[f"{half}/num_heads"])
    except (KeyError, TypeError) as error:
        raise UnknownModelError("it does not say how many heads it has") from error
    if int(stored.get(f"{half}/pre_norm", np.int8(1))) != 1:
        raise UnknownModelError("its layer norms come last")
    return heads


def reference(weights: Array) -> Array:
    """Return the few weights of a matrix by which a change knows it."""
    flat = weights.ravel()
    return flat[np.linspace(0, len(flat) - 1, REFERENCE).astype(np.int64)]


def changed(data: bytes, change: Path) -> bytes | None:
    """Return a model file with a change applied, or None if the change was made for another model.

    Parameters
    ----------
    data : bytes
        The contents of model.bin.
    change : Path
        Arrays for each matrix that is changed: NAME/A of shape (rank, inputs) and NAME/B of shape
        (outputs, rank), whose product B A is added to it (Hu et al., "LoRA: Low-Rank Adaptation of Large
        Language Models", 2021); and NAME/was, as from `reference`.

    Raises
    ------
    UnknownModelError
        If the model file cannot be read.
    """
    new = bytearray(data)
    places = _places(data)
    stored = {name: place.array(data) for name, place in places.items()}
    with np.load(change) as arrays:
        for name in sorted(key.removesuffix("/A") for key in arrays.files if key.endswith("/A")):
            inner, outer = (arrays[f"{name}/{part}"].astype(np.float32) for part in "AB")
            if name not in places or places[name].shape != (len(outer), inner.shape[1]):
                return None
            weights = as_numbers(stored, name)
            found, was = reference(weights), arrays[f"{name}/was"].astype(np.float32)
            if float(np.abs(found - was).mean()) > _MOST_APART * float(was.std()):
                return None
            _put(new, places, name, weights + outer @ inner)
    return bytes(new)


def _put(data: bytearray, places: Mapping[str, _Place], name: str, weights: Array) -> None:
    """Write weights over those that are there, in the same number type."""
    place = places[name]
    if place.dtype == np.int8:
        scale = 127.0 / np.maximum(np.abs(weights).max(axis=1), 1e-12)
        _over(data, places[f"{name}_scale"], scale)
        weights = np.rint(weights * scale[:, None])
    _over(data, place, weights)


def _over(data: bytearray, place: _Place, values: NDArray[np.floating]) -> None:
    raw = np.ascontiguousarray(values, place.dtype).tobytes()
    data[place.at : place.at + len(raw)] = raw
