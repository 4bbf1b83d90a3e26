"""Words matched to the phrasebook by their sound: "north pine frame" finds "norepinephrine".

Words that a free recogniser wrote, or that a grammar recogniser chose, are turned into phones; then
the sentences of the word graph whose phones are nearest are found, nearest first.  Distance is a
weighted edit distance: phones that sound alike are cheap to exchange.
"""

from __future__ import annotations

import heapq
import math
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.hearing.recogniser import Grammar

_Costs = NDArray[np.float32]
_Places = NDArray[np.int64]


class _Beginnings(NamedTuple):
    """What words begin with, of one length; what several have in common stands here once."""

    before: _Places
    """Where each stands among those that are a phone shorter."""
    phone: _Places
    """Its last phone."""
    ends: list[tuple[_Places, _Places]]
    """Words that end there, and where; no word twice in one of the pairs."""


class _Level(NamedTuple):
    """Arcs of the word graph whose targets are equally far from its start, sorted by target."""

    source: _Places
    """States from which one word leads to one state, those of each such pair together."""
    first: _Places
    """Where those of each pair begin; pairs with the same states share them."""
    shared: _Places
    """Of each pair: its place in `first`."""
    target: _Places
    word: _Places


LONGEST_PHONES = 90
"""Longer speech is no call-out; the rest is not looked at."""

INSERTED = 0.55
"""Cost of a phone that the sentence lacks: free recognisers make up little."""

LOST = 0.65
"""Cost of a phone of the sentence that was not heard."""

WEAK = 0.7
"""Factor for phones that are often swallowed or made up: stops at the end, H, schwa."""

EXPECTED_PER_PHONE = 0.1
"""Of phones that were heard one by one, the nearest sentence is mostly no farther away, for each phone.  The first look
goes so far."""

FARTHER = 1.6
"""If nothing was found, the next look goes so many times as far."""

DEAREST = LONGEST_PHONES * (INSERTED + LOST)
"""No two sentences are farther apart."""

_SWALLOWED = frozenset({"HH", "AH", "T", "D", "IH", "ER"})

#: Place (front to back of the mouth), manner (from stop to glide) and voice of the consonants.
_CONSONANTS: Mapping[str, tuple[float, float, float]] = {
    "P": (0.0, 0.0, 0.0), "B": (0.0, 0.0, 1.0), "T": (0.4, 0.0, 0.0), "D": (0.4, 0.0, 1.0),
    "K": (1.0, 0.0, 0.0), "G": (1.0, 0.0, 1.0), "CH": (0.6, 0.3, 0.0), "JH": (0.6, 0.3, 1.0),
    "F": (0.1, 0.5, 0.0), "V": (0.1, 0.5, 1.0), "TH": (0.25, 0.5, 0.0), "DH": (0.25, 0.5, 1.0),
    "S": (0.4, 0.5, 0.0), "Z": (0.4, 0.5, 1.0), "SH": (0.6, 0.5, 0.0), "ZH": (0.6, 0.5, 1.0),
    "HH": (1.0, 0.6, 0.0), "M": (0.0, 1.0, 1.0), "N": (0.4, 1.0, 1.0), "NG": (1.0, 1.0, 1.0),
    "L": (0.4, 1.4, 1.0), "R": (0.6, 1.4, 1.0), "W": (0.1, 1.6, 1.0), "Y": (0.8, 1.6, 1.0),
}  # fmt: skip

#: Height, backness and glide (towards EE, towards OO, R-colour) of the vowels.
_VOWELS: Mapping[str, tuple[float, float, float, float, float]] = {
    "IY": (1.0, 0.0, 0.3, 0.0, 0.0), "IH": (0.8, 0.2, 0.0, 0.0, 0.0), "EY": (0.6, 0.1, 0.8, 0.0, 0.0),
    "EH": (0.5, 0.2, 0.0, 0.0, 0.0), "AE": (0.2, 0.2, 0.0, 0.0, 0.0), "AH": (0.45, 0.5, 0.0, 0.0, 0.0),
    "ER": (0.5, 0.5, 0.0, 0.0, 0.8), "AA": (0.0, 0.7, 0.0, 0.0, 0.0), "AO": (0.25, 0.9, 0.0, 0.2, 0.0),
    "OW": (0.45, 0.9, 0.0, 0.7, 0.0), "UH": (0.8, 0.8, 0.0, 0.2, 0.0), "UW": (1.0, 0.9, 0.0, 0.5, 0.0),
    "AY": (0.1, 0.5, 1.0, 0.0, 0.0), "AW": (0.1, 0.5, 0.0, 1.0, 0.0), "OY": (0.4, 0.9, 1.0, 0.3, 0.0),
}  # fmt: skip

PHONES: tuple[str, ...] = (*_CONSONANTS, *_VOWELS)
_NUMBER = {phone: n for n, phone in enumerate(PHONES)}


def _substitution() -> _Costs:
    """Return the cost of hearing one phone for another, shape (phones, phones)."""
    cost = np.ones((len(PHONES), len(PHONES)), np.float32)
    for group, weights in ((_CONSONANTS, (0.45, 0.55, 0.3)), (_VOWELS, (0.55, 0.45, 0.35, 0.35, 0.45))):
        for a, one in group.items():
            for b, other in group.items():
                apart = sum(w * abs(x - y) for w, x, y in zip(weights, one, other, strict=True))
                cost[_NUMBER[a], _NUMBER[b]] = 0.0 if a == b else min(1.0, 0.15 + apart)
    for a, b in (("ER", "R"), ("IY", "Y"), ("UW", "W"), ("OW", "L"), ("AH", "L")):
        cost[_NUMBER[a], _NUMBER[b]] = cost[_NUMBER[b], _NUMBER[a]] = 0.5
    return cost


_SUBSTITUTION = _substitution()
_INSERTED = np.array([INSERTED * (WEAK if p in _SWALLOWED else 1.0) for p in PHONES], np.float32)
_LOST = np.array([LOST * (WEAK if p in _SWALLOWED else 1.0) for p in PHONES], np.float32)

# Longer spellings first.  A rough guide is enough: what it gets wrong costs a little distance.
_SPELLINGS: tuple[tuple[str, str], ...] = (
    ("tion", "SH AH N"), ("sion", "ZH AH N"), ("cious", "SH AH S"), ("ough", "AO"), ("augh", "AO"),
    ("eigh", "EY"), ("igh", "AY"), ("tch", "CH"), ("sch", "SH"), ("dge", "JH"), ("que", "K"), ("ies", "IY Z"),
    ("ph", "F"), ("th", "TH"), ("sh", "SH"), ("ch", "CH"), ("ck", "K"), ("gh", "G"), ("wh", "W"), ("kn", "N"),
    ("wr", "R"), ("qu", "K W"), ("ng", "NG"), ("ee", "IY"), ("ea", "IY"), ("oo", "UW"), ("ou", "AW"), ("ow", "OW"),
    ("ai", "EY"), ("ay", "EY"), ("oy", "OY"), ("oi", "OY"), ("au", "AO"), ("aw", "AO"), ("ei", "IY"), ("ie", "IY"),
    ("eu", "UW"), ("ew", "UW"), ("oa", "OW"), ("ue", "UW"), ("ar", "AA R"), ("er", "ER"), ("ir", "ER"), ("ur", "ER"),
    ("or", "AO R"), ("ce", "S EH"), ("ci", "S IH"), ("cy", "S IY"), ("ge", "JH EH"), ("gi", "JH IH"),
    ("a", "AE"), ("b", "B"), ("c", "K"), ("d", "D"), ("e", "EH"), ("f", "F"), ("g", "G"), ("h", "HH"), ("i", "IH"),
    ("j", "JH"), ("k", "K"), ("l", "L"), ("m", "M"), ("n", "N"), ("o", "AA"), ("p", "P"), ("q", "K"), ("r", "R"),
    ("s", "S"), ("t", "T"), ("u", "AH"), ("v", "V"), ("w", "W"), ("x", "K S"), ("y", "IY"), ("z", "Z"),
)  # fmt: skip
_SPELLING = re.compile("|".join(re.escape(letters) for letters, _ in _SPELLINGS))
_SPELT = dict(_SPELLINGS)


@lru_cache(maxsize=4096)
def sounded_out(word: str) -> tuple[str, ...]:
    """Return the phones of a word that no dictionary has, by rough rules of English spelling."""
    plain = re.sub(r"(.)\1", r"\1", re.sub(r"[^a-z]", "", word.lower()))
    silent = re.sub(r"(?<=[aeiou][bcdfgklmnpstvz])e$", "", plain)
    long = {"a": "EY", "i": "AY", "o": "OW", "u": "UW"}
    if silent != plain and len(silent) > 1 and silent[-2] in long:
        head = " ".join(_SPELT[m] for m in _SPELLING.findall(silent[:-2]))
        return (*head.split(), long[silent[-2]], *_SPELT[silent[-1]].split())
    return tuple(" ".join(_SPELT[m] for m in _SPELLING.findall(plain)).split())


def phone_numbers(word: str, pronunciations: Mapping[str, tuple[str, ...]]) -> list[tuple[int, ...]]:
    """Return the ways to say a word, as places in `PHONES`; sounded out if it has no pronunciation."""
    known = pronunciations.get(word, ())
    ways = [tuple(way.split()) for way in known] or [sounded_out(word)]
    return [tuple(_NUMBER[phone] for phone in way) for way in ways]


@dataclass(frozen=True, slots=True)
class Near:
    """A sentence of the word graph that sounds like what was heard.

    Attributes
    ----------
    words : str
    distance : float
        Weighted phone edits, at least 0.
    """

    words: str
    distance: float


def _beginnings(ways: Sequence[tuple[int, tuple[int, ...]]]) -> Iterator[_Beginnings]:
    """Yield the beginnings of ways to say words, from those without a phone to the longest."""
    places: dict[tuple[int, ...], int] = {(): 0}
    before = phone = np.zeros(1, np.int64)
    for length in range(max(len(phones) for _, phones in ways) + 1):
        if length:
            shorter, places = places, {}
            for _, phones in ways:
                if len(phones) >= length:
                    places.setdefault(phones[:length], len(places))
            before = np.array([shorter[each[:-1]] for each in places])
            phone = np.array([each[-1] for each in places])
        left = [(word, places[phones]) for word, phones in ways if len(phones) == length]
        ends = []
        while left:
            once = dict(reversed(left))
            ends.append((np.array(list(once)), np.array(list(once.values()))))
            left = [(word, place) for word, place in left if once[word] != place]
        yield _Beginnings(before, phone, ends)


def _level(arcs: NDArray[np.int64]) -> _Level:
    """Return a level.

    Parameters
    ----------
    arcs : ndarray of int, shape (arcs, 3)
        Target, source and word of each; in order.
    """
    sources: dict[tuple[int, int], list[int]] = defaultdict(list)
    for target, source, word in arcs.tolist():
        sources[target, word].append(source)
    place: dict[tuple[int, ...], int] = {}
    shared = [place.setdefault(tuple(some), len(place)) for some in sources.values()]
    first = np.cumsum([0, *(len(some) for some in place)])[:-1]
    target, word = np.array(list(sources)).T
    return _Level(np.concatenate([np.array(some) for some in place]), first, np.array(shared), target, word)


class SoundMatcher:
    """Finds the sentences of a grammar nearest in sound to some words.

    Parameters
    ----------
    grammar : Grammar
        Its word graph must have no cycle.
    pronunciations : mapping of str to tuple of str
        Phone strings (ARPAbet without stress) of every word of the grammar and of as many other
        words as are known; others are sounded out.

    Raises
    ------
    UserError
        If a word of the grammar has no pronunciation.
    """

    def __init__(self, grammar: Grammar, pronunciations: Mapping[str, tuple[str, ...]]) -> None:
        self._pronunciations = pronunciations
        self._words = sorted(grammar.words)
        if missing := [word for word in self._words if word not in pronunciations]:
            raise UserError(
                f"No pronunciation is known for {', '.join(map(repr, missing[:10]))}, without which words cannot be "
                "matched by sound: add it to the pronunciations of the phrasebook, or set hearing.second to none."
            )
        number = {word: n for n, word in enumerate(self._words)}
        ways = [
            (number[word], tuple(_NUMBER[phone] for phone in way.split()))
            for word in self._words
            for way in dict.fromkeys(pronunciations[word])
        ]
        self._way_word = np.array([word for word, _ in ways])
        self._lengths = np.array([len(phones) for _, phones in ways])
        self._beginnings = list(_beginnings(ways))
        self._arrange(grammar, number)

    def _arrange(self, grammar: Grammar, number: Mapping[str, int]) -> None:
        """Sort the arcs so that whole levels of the graph are handled at once."""
        onward: dict[int, list[int]] = defaultdict(list)
        into: dict[int, int] = defaultdict(int)
        states = {grammar.start, grammar.final}
        for source, target, _ in grammar.arcs:
            onward[source].append(target)
            into[target] += 1
            states |= {source, target}
        level = dict.fromkeys(states, 0)
        ready = [state for state in states if not into[state]]
        while ready:
            state = ready.pop()
            for target in onward[state]:
                level[target] = max(level[target], level[state] + 1)
                into[target] -= 1
                if not into[target]:
                    ready.append(target)
        place = {state: n for n, state in enumerate(sorted(states))}
        free = len(self._words)
        arcs = np.array(
            sorted((level[t], place[t], place[s], number[w] if w else free) for s, t, w in set(grammar.arcs))
        )
        levels = np.split(arcs[:, 1:], np.flatnonzero(np.diff(arcs[:, 0])) + 1)
        self._levels = [_level(each) for each in levels]
        self._count = len(states)
        self._start, self._final = place[grammar.start], place[grammar.final]
        inward: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for _, to, come_from, word in arcs.tolist():
            inward[to].append((come_from, word))
        self._inward = {to: np.array(pairs).T for to, pairs in inward.items()}
        self._bound_ends(levels)

    def _bound_ends(self, levels: Sequence[NDArray[np.int64]]) -> None:
        """Count the phones that are left from each state, at least and at most."""
        fewest, longest = np.full(len(self._words) + 1, np.inf), np.zeros(len(self._words) + 1)
        np.minimum.at(fewest, self._way_word, self._lengths)
        np.maximum.at(longest, self._way_word, self._lengths)
        fewest[-1] = 0.0
        self._least_left, self._most_left = np.full(self._count, np.inf), np.full(self._count, -np.inf)
        self._least_left[self._final] = self._most_left[self._final] = 0.0
        for target, source, word in (arcs.T for arcs in reversed(levels)):
            np.minimum.at(self._least_left, source, self._least_left[target] + fewest[word])
            np.maximum.at(self._most_left, source, self._most_left[target] + longest[word])

    def phones(self, words: Iterable[str]) -> tuple[int, ...]:
        """Return the phones of words, as numbers; of a word with several ways the first."""
        spelt = (phone_numbers(word, self._pronunciations)[0] for word in words)
        return tuple(phone for phones in spelt for phone in phones)[:LONGEST_PHONES]

    def apart(self, heard: Sequence[str], words: Sequence[str]) -> float:
        """Return the distance between words that were heard and others, in weighted phone edits."""
        reached = np.concatenate([[0.0], np.cumsum(_INSERTED[list(said := self.phones(heard))])])
        for phone in self.phones(words):
            after = reached + _LOST[phone]
            after[1:] = np.minimum(after[1:], reached[:-1] + _SUBSTITUTION[phone, list(said)])
            paid = np.concatenate([[0.0], np.cumsum(_INSERTED[list(said)])])
            reached = np.minimum.accumulate(after - paid) + paid
        return round(float(reached[-1]), 3)

    def nearest(
        self, words: Sequence[str], *, within: float = 3.0, farthest: float = math.inf
    ) -> Iterator[Near]:
        """Yield the sentences that sound most like `words`, nearest first.

        Parameters
        ----------
        words : sequence of str
            Lower-case words, numbers in words.
        within : float
            None that is this much further away than the nearest.
        farthest : float
            None that is further away than this.

        Yields
        ------
        Near
            Each sentence once.  Take no more than is needed: there may be very many.
        """
        # what is said in the words of the grammar is near, and little has to be looked at to find it
        return self._nearest(self.phones(words), within, farthest, 0.0)

    def nearest_phones(self, heard: Sequence[int], *, within: float = 3.0) -> Iterator[Near]:
        """Yield the sentences that sound most like phones that were heard one by one, as `nearest` does for words."""
        heard = heard[:LONGEST_PHONES]
        return self._nearest(heard, within, math.inf, EXPECTED_PER_PHONE * len(heard))

    def _nearest(
        self, heard: Sequence[int], within: float, farthest: float, expected: float
    ) -> Iterator[Near]:
        """Yield the sentences that sound most like phones; the nearest is `expected` to be so far away."""
        if not heard:
            return
        limit = min(farthest, DEAREST)
        most = max(within, 1.0) + expected
        while True:
            most = min(most, limit)
            cost = self._word_costs(heard, most)
            reached = self._forward(cost, most)
            least = float(reached[self._final, -1])
            if least + within <= most or most == limit:
                break
            most = least + within if least <= most else FARTHER * most
        if least <= limit:
            yield from self._backward(cost, reached, min(least + within, farthest))

    def _word_costs(self, heard: Sequence[int], most: float) -> _Costs:
        """Return the cost of each word for each stretch of the phones, shape (words + 1, n + 1, longest stretch + 1).

        A stretch is its first phone and its length.  What costs more than `most` may be infinite.  The last row is
        the arc without a word, which takes no phone.
        """
        n, longest = len(heard), len(self._beginnings) - 1
        fewer = min(int(most / _LOST.min()), longest)
        more = min(int(most / _INSERTED.min()), n)
        said = np.array(heard)
        paid = np.concatenate([[0.0], np.cumsum(_INSERTED[said])]).astype(np.float32)
        # entry e of a beginning of k phones stands for a stretch of k + e - fewer phones
        first, entry = np.arange(n + 1), np.arange(fewer + more + 1)[:, None]
        done = np.full((len(self._words) + 1, n + 1, longest + more + 1), np.inf, np.float32)
        done[-1, :, 0] = 0.0
        reached = np.empty((0, 0, 0), np.float32)
        for k, (before, phone, ends) in enumerate(self._beginnings):
            behind = first + k + entry - fewer
            outside = (behind < first) | (behind > n)
            inserted = paid[np.clip(behind, 0, n)]
            if k == 0:
                reached = np.where(outside, np.inf, inserted - paid[first])[:, None]
            else:
                heard_for = _SUBSTITUTION[:, said[np.clip(behind - 1, 0, n - 1)]].transpose(1, 0, 2)
                after = reached[:, before]
                lost = after[1:] + _LOST[phone][:, None]
                after += heard_for[:, phone]
                np.minimum(after[:-1], lost, out=after[:-1])
                after[np.broadcast_to(outside[:, None], after.shape)] = np.inf
                # phones that are too many: the running minimum, less what they cost
                after -= inserted[:, None]
                for e in range(1, len(after)):
                    np.minimum(after[e], after[e - 1], out=after[e])
                after += np.where(outside, np.inf, inserted)[:, None]
                reached = after
            low = max(fewer - k, 0)
            stretch = slice(k - fewer + low, k - fewer + len(reached))
            for words, places in ends:
                found = reached[low:, places].transpose(1, 2, 0)
                done[words, :, stretch] = np.minimum(done[words, :, stretch], found)
        return done

    def _forward(self, cost: _Costs, most: float) -> _Costs:
        """Return the least cost, up to `most`, of reaching each state after each phone, shape (states, n + 1)."""
        n = cost.shape[1]
        reached = np.full((self._count, n), np.inf, np.float32)
        reached[self._start, 0] = 0.0
        # phones that will have to be lost or made up, whatever is said from there on
        left = n - 1 - np.arange(n)
        lost = np.maximum(self._least_left[:, None] - left, 0.0) * _LOST.min()
        inserted = np.maximum(left - self._most_left[:, None], 0.0) * _INSERTED.min()
        allowed = (most - lost - inserted).astype(np.float32)
        for level in self._levels:
            from_here = reached[level.source]
            worth = np.where(from_here <= allowed[level.source], from_here, np.inf)
            here = np.minimum.reduceat(worth, level.first, axis=0)[level.shared]
            alive = np.flatnonzero((here <= most).any(axis=1))
            if not len(alive):
                continue
            here, words, targets = here[alive], level.word[alive], level.target[alive]
            best = np.full((len(alive), n), np.inf, np.float32)
            for first in np.flatnonzero((here <= most).any(axis=0)):
                to = best[:, first : first + cost.shape[2]]
                np.minimum(to, here[:, first, None] + cost[words, first, : to.shape[1]], out=to)
            begin = np.flatnonzero(np.diff(targets, prepend=-1))
            reached[targets[begin]] = np.minimum.reduceat(best, begin, axis=0)
        return reached

    def _backward(self, cost: _Costs, reached: _Costs, most: float) -> Iterator[Near]:
        """Walk back from the end, nearest first, up to `most`; the forward costs are the exact rest of each way."""
        n, longest = cost.shape[1] - 1, cost.shape[2] - 1
        cheapest = reached.min(axis=1)
        # (cost of the whole way, a number that settles ties, cost of what is behind, state, phones, words)
        ahead: list[tuple[float, int, float, int, int, tuple[int, ...]]] = [
            (float(reached[self._final, n]), 0, 0.0, self._final, n, ())
        ]
        pushed = 0
        seen: set[tuple[int, tuple[int, ...], int]] = set()
        while ahead:
            total, _, behind, state, j, tail = heapq.heappop(ahead)
            # phones shared out differently between the same words lead to the same sentence
            if (state, tail, j) in seen:
                continue
            seen.add((state, tail, j))
            if state == self._start:
                if j == 0 and (self._start, tail, -1) not in seen:
                    seen.add((self._start, tail, -1))
                    yield Near(" ".join(self._words[w] for w in tail), round(total, 3))
                continue
            sources, words_in = self._inward[state]
            near = cheapest[sources] <= most - behind
            sources, words_in = sources[near], words_in[near]
            begin = np.arange(max(j - longest, 0), j + 1)
            here = cost[words_in[:, None], begin, j - begin]
            totals = reached[sources[:, None], begin] + here + behind
            for row, column in np.argwhere(totals <= most).tolist():
                word = int(words_in[row])
                pushed += 1
                heapq.heappush(
                    ahead,
                    (
                        float(totals[row, column]),
                        pushed,
                        behind + float(here[row, column]),
                        int(sources[row]),
                        int(begin[column]),
                        tail if word == len(self._words) else (word, *tail),
                    ),
                )
