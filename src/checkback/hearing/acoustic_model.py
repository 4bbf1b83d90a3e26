"""The acoustic model of PocketSphinx as numbers, and a change of it.

Every phone has a codebook of Gaussian densities for each of three streams (cepstra, and their first and second
differences), which its states share, and every state has its own weights of them (X. D. Huang, Y. Ariki and M. A.
Jack, "Hidden Markov Models for Speech Recognition", 1990, chapter 7).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]

VALUES = 13
"""Cepstra of a frame."""

WEIGHT_STEP = 0.1024
"""A weight is kept as its negative natural logarithm in such steps: 2 to the 10th times the logarithm of 1.0001."""

LEAST_VARIANCE = 1e-4
"""PocketSphinx takes smaller ones for this."""

_FILES = ("means", "variances", "sendump")
_END = b"endhdr\n"
_HEAD = b"s3\nversion 1.0\n" + _END
"""Without a checksum, which is then not asked for."""

_ORDER_MARK = 4


@dataclass(frozen=True)
class AcousticModel:
    """The numbers of a model.

    Attributes
    ----------
    means, variances : ndarray of float32, shape (phones, streams, densities, 13)
        No variance is less than `LEAST_VARIANCE`.
    weights : ndarray of uint8, shape (streams, densities, states)
        In steps of `WEIGHT_STEP`.
    """

    means: Array
    variances: Array
    weights: NDArray[np.uint8]


def _gaussians(raw: bytes) -> tuple[Array, int]:
    """Read means or variances, and where they begin in the file."""
    start = _behind_head(raw) + _ORDER_MARK
    phones, streams, densities = (int(n) for n in np.frombuffer(raw, "<i4", 3, start))
    start += 4 * (3 + streams + 1)
    shape = (phones, streams, densities, VALUES)
    return np.frombuffer(raw, "<f4", int(np.prod(shape)), start).reshape(shape), start


def _behind_head(raw: bytes) -> int:
    return raw.index(_END) + len(_END)


def _weights(raw: bytes, streams: int, densities: int) -> NDArray[np.uint8]:
    """Read the weights, which stand at the end of the file."""
    start = 0
    while length := int.from_bytes(raw[start : start + 4], "little"):
        start += 4 + length
    start += 4
    rows, states = (int(n) for n in np.frombuffer(raw, "<i4", 2, start))
    start += 8
    if rows != densities or len(raw) - start != streams * densities * states:
        raise ValueError("weights of another kind")
    return np.frombuffer(raw, np.uint8, offset=start).reshape(streams, densities, states)


def read_model(folder: Path) -> AcousticModel:
    """Read a model.

    Parameters
    ----------
    folder : Path
        With the files means, variances and sendump.

    Raises
    ------
    ValueError
        If they are of another kind.
    """
    means, _ = _gaussians((folder / "means").read_bytes())
    variances, _ = _gaussians((folder / "variances").read_bytes())
    weights = _weights((folder / "sendump").read_bytes(), *means.shape[1:3])
    return AcousticModel(means, np.maximum(variances, LEAST_VARIANCE), weights)


def digest_of_model(folder: Path) -> str:
    """Return a digest by which a model is known again."""
    return sha256(b"".join((folder / name).read_bytes() for name in _FILES)).hexdigest()


def write_change(folder: Path, new: AcousticModel, path: Path) -> None:
    """Write what makes another model of one.

    Parameters
    ----------
    folder : Path
        Of the model as it is.
    new : AcousticModel
        Of the same shapes.
    path : Path
        An archive of numpy: differences of means, and of logarithms of variances, in 16 bits, the new weights less
        the old ones, and the digest of the model as it is.
    """
    was = read_model(folder)
    np.savez_compressed(
        path,
        of=np.array(digest_of_model(folder)),
        means=(new.means - was.means).astype(np.float16),
        variances=np.log(new.variances / was.variances).astype(np.float16),
        weights=new.weights - was.weights,
    )


def change_fits(folder: Path, change: Path) -> bool:
    """Return whether a change was made for the model in a folder."""
    with np.load(change) as arrays:
        return str(arrays["of"]) == digest_of_model(folder)


def changed_model(folder: Path, change: Path) -> AcousticModel:
    """Return a model with a change applied that was made for it.

    Parameters
    ----------
    folder : Path
        Of the model.
    change : Path
        As from `write_change`.
    """
    was = read_model(folder)
    with np.load(change) as arrays:
        return AcousticModel(
            was.means + arrays["means"].astype(np.float32),
            was.variances * np.exp(arrays["variances"].astype(np.float32)),
            # differences wrap around
            was.weights + arrays["weights"],
        )


def changed_files(folder: Path, change: Path, into: Path) -> Mapping[str, str]:
    """Write the files of a model with a change applied.

    Parameters
    ----------
    folder : Path
        Of the model.
    change : Path
        As from `write_change`.
    into : Path
        A folder.

    Returns
    -------
    mapping of str to str
        The settings with which PocketSphinx takes these files instead of the model's; empty if the change was made
        for another model.
    """
    if not change_fits(folder, change):
        return {}
    new = changed_model(folder, change)
    for name, values in {"means": new.means, "variances": new.variances, "sendump": new.weights}.items():
        raw = (folder / name).read_bytes()
        plain = np.ascontiguousarray(values).tobytes()
        if name == "sendump":
            start = len(raw) - len(plain)
            raw = raw[:start] + plain
        else:
            _, start = _gaussians(raw)
            raw = _HEAD + raw[_behind_head(raw) : start] + plain
        (into / name).write_bytes(raw)
    return {"mean": str(into / "means"), "var": str(into / "variances"), "sendump": str(into / "sendump")}
