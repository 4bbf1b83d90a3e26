"""The search in which only sentences of the phrasebook can be written, with made-up probabilities."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from checkback.hearing.legal_search import FreeLine, LegalSearch

SIGNS = ["<end>", ".", ",", *"abcdefghijklmnopqrstuvwxyz", *"ABCDEFGHIJKLMNOPQRSTUVWXYZ", *"0123456789", " "]
WORDS = ("wire", "in", "out", "balloon", "2", "25", "2.5", "by")
ARCS = (
    (0, 1, 0), (1, 2, 1), (1, 2, 2), (0, 3, 3), (3, 2, 1), (3, 4, 4), (3, 4, 6), (4, 5, 7), (5, 2, 4), (5, 2, 5),
    (2, 6, 5),
)  # fmt: skip
FINALS = frozenset({2, 4, 6})


def encode(text: str) -> list[int]:
    """A piece is a sign; a word begins with a space."""
    return [SIGNS.index(sign) for sign in f" {text.strip()}"]


class MadeUp:
    """Stands for the model: probabilities that follow from what was written before."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.texts: list[tuple[int, ...]] = [()]
        self.known: dict[tuple[int, int], int] = {}
        self.node = 0

    def row(self, text: tuple[int, ...]) -> NDArray[np.float64]:
        logits = np.random.default_rng([self.seed, *text]).normal(0, 1.5, len(SIGNS))
        return np.asarray(logits - np.log(np.exp(logits).sum()))

    def following(self, start: MadeUp, node: int, pieces: Sequence[int]) -> NDArray[np.float64]:
        return start.row(start.texts[node])[pieces]

    def likeliest(self, start: MadeUp, node: int, barred: NDArray[np.int64]) -> int:
        row = start.row(start.texts[node])
        row[barred] = -np.inf
        return int(np.argmax(row))

    def extend(self, wanted: Sequence[tuple[MadeUp, Sequence[tuple[int, int]]]]) -> None:
        for start, steps in wanted:
            for node, piece in steps:
                start.known[node, piece] = len(start.texts)
                start.texts.append((*start.texts[node], piece))

    def among_usual(self, start: MadeUp, steps: Sequence[tuple[int, int]]) -> tuple[float, ...]:
        return tuple(float(start.row(start.texts[node])[piece]) for node, piece in steps)

    def whole(self, text: str) -> float:
        pieces = [*encode(text), 0]
        return float(sum(self.row(tuple(pieces[:n]))[piece] for n, piece in enumerate(pieces)))


def sentences() -> list[str]:
    found = []
    waiting: list[tuple[int, tuple[str, ...]]] = [(0, ())]
    while waiting:
        state, words = waiting.pop()
        if state in FINALS:
            said = [f"{a}," if a[0].isdigit() and b[0].isdigit() else a for a, b in pairwise((*words, "x"))]
            text = " ".join(said)
            found.append(f"{text[0].upper()}{text[1:]}.")
        waiting += [(to, (*words, WORDS[word])) for source, to, word in ARCS if source == state]
    return found


@pytest.mark.parametrize("seed", range(5))
def test_with_a_wide_beam_it_finds_what_trying_every_sentence_finds(seed: int) -> None:
    search = LegalSearch(WORDS, ARCS, 0, FINALS, encode, 0)
    sound, blank = MadeUp(seed), MadeUp(seed + 100)
    found = search.find(sound, sound, blank, share=0.4, beam=400, most=400, within=1e9, behind=1e9)  # type: ignore[arg-type]
    ranked = sorted(sentences(), key=lambda text: -(sound.whole(text) - 0.4 * blank.whole(text)))
    assert len(ranked) > 15
    assert [each.text for each in found] == ranked
    for each in found:
        assert sum(each.logprobs) == pytest.approx(sound.whole(each.text))
        assert sum(each.blank_logprobs) == pytest.approx(blank.whole(each.text))
        assert each.ways


def test_no_more_than_asked_for_and_none_far_behind() -> None:
    search = LegalSearch(WORDS, ARCS, 0, FINALS, encode, 0)
    every = search.find(
        MadeUp(1), MadeUp(1), MadeUp(2), share=0.0, beam=400, most=400, within=1e9, behind=1e9
    )  # type: ignore[arg-type]
    few = search.find(MadeUp(1), MadeUp(1), MadeUp(2), share=0.0, beam=8, most=3, within=4.0, behind=4.0)  # type: ignore[arg-type]
    assert 1 <= len(few) <= 3
    assert sum(every[0].logprobs) - sum(few[-1].logprobs) < 4.0 + sum(every[0].logprobs) - sum(
        few[0].logprobs
    )


@pytest.mark.parametrize("longest", [1, 3, 60])
@pytest.mark.parametrize("seed", range(5))
def test_what_is_written_freely_is_always_the_likeliest_piece(seed: int, longest: int) -> None:
    search = LegalSearch(WORDS, ARCS, 0, FINALS, encode, 0)
    sound, blank = MadeUp(seed), MadeUp(seed + 100)
    never, not_first = np.array([5, 6]), np.array([0, SIGNS.index(" ")])
    free = FreeLine(sound, 0, never, not_first, longest)  # type: ignore[arg-type]
    how = {"share": 0.4, "beam": 4, "most": 4, "within": 9.0, "behind": 9.0}
    beside = search.find(sound, sound, blank, **how, free=free)  # type: ignore[arg-type]
    expected: list[int] = []
    while len(expected) < longest and expected[-1:] != [0]:
        row = sound.row(tuple(expected))
        row[never if expected else [*never, *not_first]] = -np.inf
        expected.append(int(np.argmax(row)))
    assert list(free.pieces) == expected
    assert beside == search.find(MadeUp(seed), MadeUp(seed), blank, **how)  # type: ignore[arg-type]


def test_every_piece_that_is_asked_for_is_known_beforehand() -> None:
    search = LegalSearch(WORDS, ARCS, 0, FINALS, encode, 0)
    assert {piece for text in sentences() for piece in (*encode(text), 0)} <= set(search.pieces.tolist())
