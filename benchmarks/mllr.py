"""A speaker's transform of the acoustic model's means, estimated from a minute of known words.

Maximum likelihood linear regression with one class: C. J. Leggetter and P. C. Woodland, Computer Speech
and Language 9 (1995), 171-185.  PocketSphinx applies such a transform (setting `mllr`) but its wheel has
no program that estimates one, so that is done here, for a model whose states share the codebook of
their phone.  The densities of a codebook are taken as equally probable, because only their shares in a
frame are needed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from checkback.hearing import pocketsphinx as first_listener
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.recogniser import Grammar, Pcm

_Array = NDArray[np.float64]

VALUES = 13
"""Cepstra of a frame; with their first and second differences three streams."""

HELD_BACK = 200.0
"""Frames' worth of belief that nothing needs to be changed."""

_LEAST_VARIANCE = 1e-4
_SILENCE = "SIL"


def parameters(path: Path) -> _Array:
    """Read means or variances of an acoustic model, shape (phones, streams, densities, values)."""
    raw = path.read_bytes()
    start = raw.index(b"endhdr\n") + len(b"endhdr\n") + 4
    phones, streams, densities = np.frombuffer(raw, "<i4", 3, start)
    start += 4 * (3 + streams + 1)
    shape = (phones, streams, densities, VALUES)
    return np.frombuffer(raw, "<f4", int(np.prod(shape)), start).reshape(shape).astype(np.float64)


def phones_of(path: Path) -> list[str]:
    """Read the names of the phones out of a binary model definition, in the order of their codebooks."""
    raw = path.read_bytes()
    start = 12 + int.from_bytes(raw[8:12], "little")
    count = int.from_bytes(raw[start : start + 4], "little")
    return [name.decode("ascii") for name in raw[start + 40 :].split(b"\0", count)[:count]]


def features(cepstra: _Array) -> _Array:
    """Return cepstra less their mean, and differences over two and three frames, shape (frames, 3, 13)."""
    padded = np.pad(cepstra - cepstra.mean(axis=0), ((3, 3), (0, 0)), mode="edge")
    at = {k: padded[3 + k : len(padded) - 3 + k] for k in range(-3, 4)}
    second = (at[3] - at[-1]) - (at[1] - at[-3])
    return np.stack([at[0], at[2] - at[-2], second], axis=1)


def _aligned(
    decoder: PocketSphinxDecoder, pcm: Pcm, words: str, folder: Path
) -> Iterator[tuple[str, slice, _Array]]:
    """Yield each phone of known words with its frames and the features of the whole sound."""
    inner = decoder._whole
    inner.reinit_feat()
    decoder._pass(first_listener._NO_SEARCH, pcm)
    for path in folder.glob("*.mfc"):
        path.unlink()
    inner.set_align_text(words)
    for state_level in (False, True):
        if state_level:
            inner.set_alignment()
        inner.start_utt()
        inner.process_raw(np.ascontiguousarray(pcm, dtype="<i2").tobytes(), False, True)
        inner.end_utt()
        if not state_level and inner.hyp() is None:
            return
    raw = max(folder.glob("*.mfc")).read_bytes()
    found = features(np.frombuffer(raw, ">f4", offset=4).reshape(-1, VALUES).astype(np.float64))
    for phone in inner.get_alignment().phones():
        yield phone.name, slice(phone.start, phone.start + phone.duration), found


def estimated(grammar: Grammar, reading: Sequence[tuple[Pcm, str]], folder: Path) -> _Array:
    """Estimate the transform.

    Parameters
    ----------
    grammar : Grammar
    reading : sequence of (ndarray of int16, str)
        Sound at 16 kHz and what is said in it, in words of the grammar.
    folder : Path
        For the cepstra, which PocketSphinx writes.

    Returns
    -------
    ndarray, shape (streams, 13, 14)
        The offset behind the matrix.
    """
    model = first_listener._ACOUSTIC_MODEL
    means = parameters(model / "means")
    variances = np.maximum(parameters(model / "variances"), _LEAST_VARIANCE)
    number = {name: n for n, name in enumerate(phones_of(model / "mdef"))}
    with patch.object(first_listener, "TUNED", {**first_listener.TUNED, "mfclogdir": str(folder)}):
        decoder = PocketSphinxDecoder(grammar)
    streams = means.shape[1]
    left = np.zeros((streams, VALUES, VALUES + 1, VALUES + 1))
    right = np.zeros((streams, VALUES, VALUES + 1))
    used = 0
    for pcm, words in reading:
        for name, frames, found in _aligned(decoder, pcm, words, folder):
            if name == _SILENCE or name not in number:
                continue
            used += len(found[frames])
            for s in range(streams):
                mean, spread = means[number[name], s], variances[number[name], s]
                x = found[frames, s]
                apart = (np.square(x[:, None] - mean) / spread + np.log(spread)).sum(axis=2)
                share = np.exp(-0.5 * (apart - apart.min(axis=1, keepdims=True)))
                share /= share.sum(axis=1, keepdims=True)
                extended = np.concatenate([mean, np.ones((len(mean), 1))], axis=1)
                weight = share.sum(axis=0)[:, None] / spread
                left[s] += np.einsum("kd,ki,kj->dij", weight, extended, extended)
                right[s] += np.einsum("kd,ki->di", (share.T @ x) / spread, extended)
    return np.stack([_solved(left[s], right[s], used) for s in range(streams)])


def _solved(left: _Array, right: _Array, frames: int) -> _Array:
    """Return the rows of the transform, drawn towards no change as by `HELD_BACK` frames more."""
    unchanged = np.eye(VALUES, VALUES + 1)
    rows = []
    for d in range(VALUES):
        belief = np.diag(np.diag(left[d])) * HELD_BACK / max(frames, 1) + 1e-6 * np.eye(VALUES + 1)
        rows.append(np.linalg.solve(left[d] + belief, right[d] + belief @ unchanged[d]))
    return np.stack(rows)


def written(transform: _Array) -> str:
    """Write a transform the way PocketSphinx reads it: one class, variances as they were."""
    lines = ["1", str(len(transform))]
    for rows in transform:
        lines.append(str(VALUES))
        lines += [" ".join(f"{value:.6f}" for value in row[:VALUES]) for row in rows]
        lines.append(" ".join(f"{value:.6f}" for value in rows[:, VALUES]))
        lines.append(" ".join(["1.0"] * VALUES))
    return "\n".join(lines) + "\n"
