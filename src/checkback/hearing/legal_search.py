"""The likeliest sentences of the phrasebook on a sound: a search in which nothing else can be written."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.whisper_decoder import Start, Step, TextDecoder

_NUMERAL = re.compile(r"\d+(?:\.\d+)?")

MOST_PIECES = 48
"""Longer texts are no call-out."""


@dataclass(frozen=True, slots=True)
class Legal:
    """A sentence of the phrasebook that was found.

    Attributes
    ----------
    text : str
        As it is written: "Balloon 2.5 by 12."
    ways : tuple of tuple of int
        The words of the written graph that give this text, by number; mostly one way.
    logprobs, blank_logprobs : tuple of float
        Of its pieces, the end included: on the sound and on silence, among the usual pieces.
    """

    text: str
    ways: tuple[tuple[int, ...], ...]
    logprobs: tuple[float, ...]
    blank_logprobs: tuple[float, ...]


class _Trie:
    """Words that may follow, piece by piece."""

    __slots__ = ("children", "ends")

    def __init__(self) -> None:
        self.children: dict[int, _Trie] = {}
        #: State behind the word, number of the word.
        self.ends: list[tuple[int, int]] = []


_Place = tuple[_Trie, ...]


@dataclass(frozen=True)
class _Beam:
    """A beginning of a sentence, with its rank: how probable it is on the sound, and not anyway."""

    rank: float
    node: int
    blank_node: int
    place: _Place
    steps: tuple[Step, ...] = ()
    blank_steps: tuple[Step, ...] = ()

    def longer(self, rank: float, piece: int) -> _Beam:
        return replace(
            self,
            rank=rank,
            steps=(*self.steps, (self.node, piece)),
            blank_steps=(*self.blank_steps, (self.blank_node, piece)),
        )

    @property
    def pieces(self) -> tuple[int, ...]:
        return tuple(piece for _, piece in self.steps)


class FreeLine:
    """What the model writes if it may write anything: always the likeliest piece.

    It is found on the way of a search: to look at one text more takes hardly any time.

    Parameters
    ----------
    start : Start
        The sound.
    end : int
        The piece that ends a text.
    barred, barred_first : ndarray of int
        Pieces that are never written, and those that are not written first.
    longest : int
        It is given up after so many pieces.
    """

    def __init__(
        self,
        start: Start,
        end: int,
        barred: NDArray[np.int64],
        barred_first: NDArray[np.int64],
        longest: int,
    ) -> None:
        self._start, self._end, self._longest = start, end, longest
        self._barred, self._barred_first = barred, np.concatenate([barred, barred_first])
        self._node = start.node
        self._over = False
        self.steps: list[Step] = []

    def ahead(self, decoder: TextDecoder) -> list[Step]:
        """Return the step that is to be looked at, or none at the end of the text."""
        if not self._over:
            barred = self._barred if self.steps else self._barred_first
            piece = decoder.likeliest(self._start, self._node, barred)
            self.steps.append((self._node, piece))
            self._over = piece == self._end or len(self.steps) >= self._longest
        return [] if self._over else [self.steps[-1]]

    def go_on(self) -> None:
        """Take the step, which has been looked at."""
        if not self._over:
            self._node = self._start.known[self.steps[-1]]

    @property
    def pieces(self) -> tuple[int, ...]:
        """What was written so far, with its end."""
        return tuple(piece for _, piece in self.steps)


class LegalSearch:
    """Finds sentences of a written graph.

    Parameters
    ----------
    words : sequence of str
        What is written.
    arcs : sequence of (int, int, int)
        From state, to state, number of the word.
    start : int
    finals : set of int
    encode : callable
        Pieces of a text, as the model cuts it.
    end : int
        The piece that ends a text.
    """

    def __init__(
        self,
        words: Sequence[str],
        arcs: Sequence[tuple[int, int, int]],
        start: int,
        finals: frozenset[int],
        encode: Callable[[str], Sequence[int]],
        end: int,
    ) -> None:
        self._words, self._arcs = words, arcs
        self._start, self._finals, self._end = start, finals, end
        self._out: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for source, target, word in arcs:
            self._out[source].append((target, word))
        self._encode = encode
        self._pieces: dict[str, tuple[int, ...]] = {}
        (self._stop,), (self._comma,) = encode("a.")[-1:], encode("a,")[-1:]
        self._tries: dict[tuple[int, bool, bool], _Trie] = {}
        self._following: dict[tuple[int, ...], tuple[NDArray[np.int64], tuple[_Place, ...], _Place]] = {}
        self._last = _Trie()
        # All of them now, because somebody waits later.
        self._trie(start, True, False)
        for _, target, word in arcs:
            self._behind(target, word)

    def _cut(self, text: str) -> tuple[int, ...]:
        if text not in self._pieces:
            self._pieces[text] = tuple(self._encode(text))
        return self._pieces[text]

    def _trie(self, state: int, first: bool, after_numeral: bool) -> _Trie:
        key = state, first, after_numeral
        if key not in self._tries:
            root = self._tries[key] = _Trie()
            for target, word in self._out[state]:
                text = self._words[word]
                if first:
                    text = text[:1].upper() + text[1:]
                pieces = self._cut(text)
                if after_numeral and _NUMERAL.fullmatch(text):
                    pieces = (self._comma, *pieces)
                at = root
                for piece in pieces:
                    at = at.children.setdefault(piece, _Trie())
                at.ends.append((target, word))
            if state in self._finals:
                root.children[self._stop] = self._last
        return self._tries[key]

    def _behind(self, target: int, word: int) -> _Trie:
        return self._trie(target, False, _NUMERAL.fullmatch(self._words[word]) is not None)

    def _next(self, place: _Place) -> tuple[NDArray[np.int64], tuple[_Place, ...], _Place]:
        """Return the pieces that may follow, and where each leads."""
        key = tuple(map(id, place))
        if key not in self._following:
            ways: dict[int, dict[int, _Trie]] = defaultdict(dict)
            for trie in place:
                roots = {id(r): r for r in (self._behind(t, w) for t, w in trie.ends)}
                for each in (trie, *roots.values()):
                    for piece, child in each.children.items():
                        ways[piece][id(child)] = child
            # the place itself is kept, so that no other one gets its number
            self._following[key] = (
                np.array(list(ways), np.int64),
                tuple(tuple(each.values()) for each in ways.values()),
                place,
            )
        return self._following[key]

    @property
    def pieces(self) -> NDArray[np.int64]:
        """Every piece that can be asked for."""
        for _, _, word in self._arcs:
            self._cut(self._words[word])
            self._cut(self._words[word][:1].upper() + self._words[word][1:])
        return np.unique(
            [self._end, self._stop, self._comma, *(n for cut in self._pieces.values() for n in cut)]
        )

    def find(
        self,
        decoder: TextDecoder,
        start: Start,
        blank: Start,
        *,
        share: float,
        beam: int,
        most: int,
        within: float,
        behind: float,
        free: FreeLine | None = None,
    ) -> list[Legal]:
        """Return sentences, likeliest first.

        Parameters
        ----------
        decoder : TextDecoder
        start, blank : Start
            The sound and silence, behind the same prompt.
        share : float
            How much of what is as probable on silence is taken off.
        beam : int
            Beginnings that are followed at once.
        most : int
            Sentences to be found.
        within : float
            None that is so much less probable than the likeliest, in natural logarithms.
        behind : float
            A beginning is given up that is so much less probable than the likeliest one of as many pieces.
        free : FreeLine or None
            Is written on the way.
        """

        def ranks(beam: _Beam, pieces: Sequence[int] | NDArray[np.int64]) -> NDArray[np.float32]:
            here = decoder.following(start, beam.node, pieces)
            return beam.rank + here - share * decoder.following(blank, beam.blank_node, pieces)

        beams = [_Beam(0.0, start.node, blank.node, (self._trie(self._start, True, False),))]
        done: list[_Beam] = []
        for _ in range(MOST_PIECES):
            ahead: list[tuple[float, int, int, int]] = []
            for n, each in enumerate(beams):
                if self._last in each.place:
                    done.append(each.longer(float(ranks(each, [self._end])[0]), self._end))
                pieces, _, _ = self._next(each.place)
                if not len(pieces):
                    continue
                found = ranks(each, pieces)
                best = np.argpartition(-found, beam)[:beam] if len(found) > beam else np.arange(len(found))
                ahead += [(float(found[k]), n, int(pieces[k]), int(k)) for k in best]
            least = max(
                [each.rank - within for each in done] + [each[0] - behind for each in ahead], default=0.0
            )
            ahead = sorted((each for each in ahead if each[0] > least), reverse=True)[:beam]
            if not ahead:
                break
            longer = [beams[n].longer(rank, piece) for rank, n, piece, _ in ahead]
            beside = [] if free is None else free.ahead(decoder)
            decoder.extend(
                [
                    (start, list(dict.fromkeys([*(each.steps[-1] for each in longer), *beside]))),
                    (blank, list(dict.fromkeys(each.blank_steps[-1] for each in longer))),
                ]
            )
            if free is not None:
                free.go_on()
            beams = [
                replace(
                    each,
                    node=start.known[each.steps[-1]],
                    blank_node=blank.known[each.blank_steps[-1]],
                    place=self._next(beams[n].place)[1][k],
                )
                for each, (_, n, _, k) in zip(longer, ahead, strict=True)
            ]
        while free is not None and (beside := free.ahead(decoder)):
            decoder.extend([(start, beside)])
            free.go_on()
        done.sort(key=lambda each: -each.rank)
        done = [each for each in done[:most] if each.rank > done[0].rank - within]
        legal = [
            Legal(
                self._text(ways[0]),
                tuple(ways),
                decoder.among_usual(start, each.steps),
                decoder.among_usual(blank, each.blank_steps),
            )
            for each in done
            if (ways := self._ways(each.pieces[:-1]))
        ]
        return sorted(legal, key=lambda each: share * sum(each.blank_logprobs) - sum(each.logprobs))

    def _ways(self, pieces: Sequence[int], most: int = 4) -> list[tuple[int, ...]]:
        """Return the words that give these pieces."""
        found: list[tuple[int, ...]] = []
        waiting: list[tuple[int, _Trie, tuple[int, ...]]] = [(0, self._trie(self._start, True, False), ())]
        while waiting and len(found) < most:
            at, trie, way = waiting.pop()
            if trie is self._last:
                if at == len(pieces):
                    found.append(way)
                continue
            if at < len(pieces) and pieces[at] in trie.children:
                waiting.append((at + 1, trie.children[pieces[at]], way))
            for target, word in trie.ends:
                behind = self._behind(target, word)
                if at < len(pieces) and pieces[at] in behind.children:
                    waiting.append((at + 1, behind.children[pieces[at]], (*way, word)))
        return list(dict.fromkeys(found))

    def _text(self, way: Sequence[int]) -> str:
        text = " ".join(self._words[word] for word in way)
        text = re.sub(r"(\d) (?=\d)", r"\1, ", text)
        return text[:1].upper() + text[1:] + "."
