"""What PocketSphinx's acoustic model makes of known words, and how it learns from them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.acoustic_model import LEAST_VARIANCE, VALUES, WEIGHT_STEP, AcousticModel
from checkback.hearing.gating import Gate
from checkback.hearing.pocketsphinx import ACOUSTIC_MODEL, TUNED, decoder_of
from checkback.hearing.recogniser import Pcm

Values = NDArray[np.float64]

FRAME = 160
"""Samples from one frame to the next."""

_NO_SEARCH = "noise"

_LEAST_WEIGHT = 1e-7
_AT_ONCE = 20_000


def features_of(cepstra: Values) -> Values:
    """Return cepstra less their mean, and differences over two and three frames, shape (frames, 3, 13)."""
    padded = np.pad(cepstra - cepstra.mean(axis=0), ((3, 3), (0, 0)), mode="edge")
    at = {k: padded[3 + k : len(padded) - 3 + k] for k in range(-3, 4)}
    second = (at[3] - at[-1]) - (at[1] - at[-3])
    return np.stack([at[0], at[2] - at[-2], second], axis=1)


def phones_of(path: Path) -> list[str]:
    """Read the names of the phones out of a binary model definition, in the order of their codebooks."""
    raw = path.read_bytes()
    start = 12 + int.from_bytes(raw[8:12], "little")
    count = int.from_bytes(raw[start : start + 4], "little")
    return [name.decode("ascii") for name in raw[start + 40 :].split(b"\0", count)[:count]]


@dataclass(frozen=True)
class Frames:
    """Frames of known states.

    Attributes
    ----------
    features : ndarray of float16, shape (frames, 3, 13)
    states : ndarray of int32, shape (frames, 2)
        The number of the phone and that of its state among all.
    """

    features: NDArray[np.float16]
    states: NDArray[np.int32]


class Listening:
    """Finds the states of known words, and the features of sounds.

    Parameters
    ----------
    known : mapping of str to iterable of str
        How words are pronounced, as from `checkback.hearing.pronunciations.pronunciations_of`.
    folder : Path
        For the cepstra, which PocketSphinx writes.
    """

    def __init__(self, known: Mapping[str, Iterable[str]], folder: Path) -> None:
        self._decoder = decoder_of(known, mfclogdir=str(folder), **TUNED)
        # the cheapest search there is, because only the cepstra are wanted
        idle = self._decoder.create_fsg(_NO_SEARCH, 0, 1, [(0, 1, 1.0, min(known))])
        self._decoder.add_fsg(_NO_SEARCH, idle)
        self._folder = folder
        phones = phones_of(ACOUSTIC_MODEL / "mdef")
        self._number = {name: n for n, name in enumerate(phones)}
        #: Number of the phone that stands for silence.
        self.silence = self._number["SIL"]

    def _take(self, pcm: Pcm) -> None:
        """Let the decoder take a sound whole, so that the cepstral mean is that of all of it."""
        self._decoder.start_utt()
        try:
            self._decoder.process_raw(np.ascontiguousarray(pcm, dtype="<i2").tobytes(), False, True)
        finally:
            self._decoder.end_utt()

    def _learn(self, pcm: Pcm) -> None:
        """Take the noise and the mean of a sound, and nothing of what was heard before."""
        self._decoder.reinit_feat()
        self._decoder.activate_search(_NO_SEARCH)
        self._take(pcm)
        for path in self._folder.glob("*.mfc"):
            path.unlink()

    def _last(self) -> Values:
        raw = max(self._folder.glob("*.mfc")).read_bytes()
        return np.frombuffer(raw, ">f4", offset=4).reshape(-1, VALUES).astype(np.float64)

    def features(self, pcm: Pcm, *, gated: bool) -> Values:
        """Return what the search is given of a sound, shape (frames, 3, 13)."""
        pcm = Gate(pcm if gated else pcm[:0])(pcm)
        self._learn(pcm)
        self._take(pcm)
        return features_of(self._last())

    def _aligned(self, pcm: Pcm, words: str) -> list[tuple[str, int, int, int]] | None:
        """Return the states of known words: the phone, the number of the state, the first frame, and how many.

        None if the words cannot be found in the sound.
        """
        self._learn(pcm)
        self._decoder.set_align_text(words)
        self._take(pcm)
        if self._decoder.hyp() is None:
            return None
        self._decoder.set_alignment()
        self._take(pcm)
        return [
            (phone.name, int(state.name), state.start, state.duration)
            for phone in self._decoder.get_alignment().phones()
            for state in phone
        ]

    def states(self, pcm: Pcm, words: str) -> NDArray[np.int32] | None:
        """Return the number of the phone and of the state of each frame, shape (frames, 2)."""
        found = self._aligned(pcm, words)
        if found is None or any(phone not in self._number for phone, *_ in found):
            return None
        return np.concatenate(
            [np.full((lasts, 2), (self._number[phone], state), np.int32) for phone, state, _, lasts in found]
        )


@dataclass
class _Counts:
    """How much of what was heard of a phone in one stream is each density's.

    Attributes
    ----------
    number : ndarray, shape (densities,)
        Frames.
    sums, squares : ndarray, shape (densities, 13)
        Of their values.
    shares : ndarray, shape (states, densities)
        Frames of each state.
    """

    number: Values
    sums: Values
    squares: Values
    shares: Values


def _shared_out(model: AcousticModel, phone: int, s: int, x: Values, states: NDArray[np.int32]) -> _Counts:
    """Share frames of a phone out to the densities of a stream, as the model has them."""
    means = model.means[phone, s].astype(np.float64)
    inverse = 1 / model.variances[phone, s].astype(np.float64)
    logs = -WEIGHT_STEP * model.weights[s].T.astype(np.float64)
    own, place = np.unique(states, return_inverse=True)
    densities = len(means)
    found = _Counts(
        np.zeros(densities),
        np.zeros(means.shape),
        np.zeros(means.shape),
        np.zeros((len(own), densities)),
    )
    for begin in range(0, len(x), _AT_ONCE):
        some = slice(begin, begin + _AT_ONCE)
        here = x[some]
        apart = np.square(here) @ inverse.T - 2 * here @ (means * inverse).T
        apart += (np.square(means) * inverse).sum(axis=1) - np.log(inverse).sum(axis=1)
        score = logs[states[some]] - 0.5 * apart
        share = np.exp(score - score.max(axis=1, keepdims=True))
        share /= share.sum(axis=1, keepdims=True)
        found.number += share.sum(axis=0)
        found.sums += share.T @ here
        found.squares += share.T @ np.square(here)
        np.add.at(found.shares, place[some], share)
    return found


def learnt(was: AcousticModel, model: AcousticModel, heard: Iterable[Frames], belief: float) -> AcousticModel:
    """Return a model drawn towards what was heard.

    Parameters
    ----------
    was : AcousticModel
        What is believed before.
    model : AcousticModel
        By which frames are shared out to densities.
    heard : iterable of Frames
    belief : float
        As if each density, and of each state each density, had so many frames that agree with what is believed.
    """
    together = list(heard)
    features = np.concatenate([each.features for each in together])
    phones, states = np.concatenate([each.states for each in together]).T
    means = was.means.astype(np.float64)
    variances = was.variances.astype(np.float64)
    weights = was.weights.copy()
    for phone in np.unique(phones):
        here = np.flatnonzero(phones == phone)
        own = np.unique(states[here])
        for s in range(means.shape[1]):
            found = _shared_out(model, phone, s, features[here, s].astype(np.float64), states[here])
            total = (belief + found.number)[:, None]
            old = means[phone, s].copy()
            means[phone, s] = (belief * old + found.sums) / total
            squares = (belief * (variances[phone, s] + np.square(old)) + found.squares) / total
            variances[phone, s] = np.maximum(squares - np.square(means[phone, s]), LEAST_VARIANCE)
            before = np.exp(-WEIGHT_STEP * was.weights[s][:, own].T.astype(np.float64))
            after = belief * len(old) * before / before.sum(axis=1, keepdims=True) + found.shares
            after = np.maximum(after / after.sum(axis=1, keepdims=True), _LEAST_WEIGHT)
            weights[s][:, own] = np.clip(np.rint(-np.log(after) / WEIGHT_STEP), 0, 255).T.astype(np.uint8)
    return AcousticModel(means.astype(np.float32), variances.astype(np.float32), weights)
