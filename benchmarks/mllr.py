"""A speaker's transform of the acoustic model's means, estimated from a minute of known words.

Maximum likelihood linear regression with one class: C. J. Leggetter and P. C. Woodland, Computer Speech
and Language 9 (1995), 171-185.  PocketSphinx applies such a transform (setting `mllr`) but its wheel has
no program that estimates one, so that is done here, for a model whose states share the codebook of
their phone.  The densities of a codebook are taken as equally probable, because only their shares in a
frame are needed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from checkback.hearing import pocketsphinx as first_listener
from checkback.hearing.acoustic_learning import Listening
from checkback.hearing.acoustic_model import VALUES, read_model
from checkback.hearing.pronunciations import pronunciations_of
from checkback.hearing.recogniser import Grammar, Pcm

_Array = NDArray[np.float64]

HELD_BACK = 200.0
"""Frames' worth of belief that nothing needs to be changed."""


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
    model = read_model(first_listener.ACOUSTIC_MODEL)
    means = model.means.astype(np.float64)
    variances = model.variances.astype(np.float64)
    listening = Listening(pronunciations_of(grammar.words, grammar.pronunciations), folder)
    streams = means.shape[1]
    left = np.zeros((streams, VALUES, VALUES + 1, VALUES + 1))
    right = np.zeros((streams, VALUES, VALUES + 1))
    used = 0
    for pcm, words in reading:
        states = listening.states(pcm, words)
        if states is None:
            continue
        found = listening.features(pcm, gated=False)[: len(states)]
        for phone in np.unique(states[:, 0]):
            if phone == listening.silence:
                continue
            here = found[states[: len(found), 0] == phone]
            used += len(here)
            for s in range(streams):
                mean, spread = means[phone, s], variances[phone, s]
                x = here[:, s]
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
