"""How well sentences fit the phones that a model hears, frame by frame.

The model says for each frame which phone it hears, or that none begins (the blank): Graves et al., "Connectionist
Temporal Classification" (2006).  A sentence is as probable as the best way to lay its phones over the frames: in
order, each for as long as may be, with blanks between them as may be, and always between two that are alike.  No
sentence comes more easily than another, and each phone has to be heard: a word that is missing, or one too many,
costs what it sounds like.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import NamedTuple

import numpy as np

from checkback.hearing.phonetic import PHONES, phone_numbers
from checkback.hearing.recogniser import Wordings
from checkback.hearing.whisper_file import Array

BLANK = len(PHONES)
"""Number of the blank, behind those of the phones."""

_NEVER = np.float32(-1e30)


def likeliest_phones(heard: Array) -> tuple[int, ...]:
    """Return the phones that are heard where no sentence is looked for: the likeliest of each frame.

    Parameters
    ----------
    heard : ndarray of float32, shape (frames, phones + 1)
    """
    return tuple(label for label, _ in groupby(heard.argmax(axis=1).tolist()) if label != BLANK)


class _Reached(NamedTuple):
    """How far a sentence has come: what may be its last phone so far, and the blank behind it if there is one."""

    phones: tuple[int, ...]
    blank: int | None = None


_Ways = tuple[tuple[int, ...], ...]


class _Graph:
    """States of some sentences: each is a phone or the blank, and may be stayed in.

    What sentences begin with is there once, however many do.
    """

    def __init__(self) -> None:
        self.labels: list[int] = []
        self.arcs: list[tuple[int, int]] = []
        """To a state, from a state."""
        self.start = self._state(BLANK, ())
        """Before all sentences."""
        self._rests: dict[_Reached, _Reached] = {}
        self._words: dict[tuple[_Reached, _Ways], _Reached] = {}

    def _state(self, label: int, before: Iterable[int]) -> int:
        new = len(self.labels)
        self.labels.append(label)
        self.arcs.extend((new, each) for each in (new, *before))
        return new

    def rest(self, at: _Reached) -> _Reached:
        """Return the same with a blank behind it."""
        if at.blank is not None:
            return at
        if at not in self._rests:
            self._rests[at] = _Reached(at.phones, self._state(BLANK, at.phones))
        return self._rests[at]

    def word(self, at: _Reached, ways: _Ways) -> _Reached:
        """Say a word, in one of its ways."""
        start = self.rest(at)
        if (start, ways) not in self._words:
            self._words[start, ways] = _Reached(tuple(each for way in ways for each in self._way(start, way)))
        return self._words[start, ways]

    def _way(self, here: _Reached, way: Iterable[int]) -> tuple[int, ...]:
        for phone in way:
            phones, blank = self.rest(here)
            assert blank is not None
            others = [each for each in phones if self.labels[each] != phone]
            here = _Reached((self._state(phone, (blank, *others)),))
        return here.phones


class PhoneAligner:
    """Lays sentences over the phones that were heard.

    Parameters
    ----------
    pronunciations : mapping of str to tuple of str
        Phone strings (ARPAbet without stress) of every word; others are sounded out.
    """

    def __init__(self, pronunciations: Mapping[str, tuple[str, ...]]) -> None:
        self._pronunciations = pronunciations

    def logprobs(self, heard: Array, sentences: Sequence[Wordings]) -> tuple[float | None, ...]:
        """Return how much less probable than the likeliest phones of all each sentence is, in the best wording.

        Parameters
        ----------
        heard : ndarray of float32, shape (frames, phones + 1)
            Natural logarithm of the probability of each phone of `PHONES`, and of the blank, in each frame.
        sentences : sequence of Wordings

        Returns
        -------
        tuple of float or None
            In natural logarithms, at most 0; None for a sentence that is too long for the sound.
        """
        if not sentences or not len(heard):
            return (None,) * len(sentences)
        graph = _Graph()
        ends = [self._say(graph, sentence) for sentence in sentences]
        targets, sources = np.array(graph.arcs).T
        # a state's arcs stand together: itself, then what is before it
        first_arcs = np.flatnonzero(np.diff(targets, prepend=-1))
        here = heard[:, graph.labels]
        best = np.full(len(graph.labels), _NEVER, np.float32)
        best[graph.start] = 0.0
        for frame in here:
            best = np.maximum.reduceat(best[sources], first_arcs) + frame
        free = float(heard.max(axis=1).sum())
        found = (float(best[list(each)].max()) for each in ends)
        return tuple(round(each - free, 3) if each > _NEVER / 2 else None for each in found)

    def _say(self, graph: _Graph, sentence: Wordings) -> tuple[int, ...]:
        """Return the states in which a sentence may end."""
        at = _Reached((), graph.start)
        for forms in sentence:
            at, ends = graph.rest(at), list[int]()
            for form in forms:
                here = at
                for word in form:
                    here = graph.word(here, tuple(phone_numbers(word, self._pronunciations)))
                ends.extend(here.phones)
            at = _Reached(tuple(ends))
        phones, blank = graph.rest(at)
        return (*phones, blank) if blank is not None else phones
