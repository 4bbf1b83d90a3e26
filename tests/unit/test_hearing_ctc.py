"""Sentences laid over phones, against every way to label the frames."""

from itertools import groupby, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from checkback.hearing.ctc import BLANK, PhoneAligner
from checkback.hearing.phonetic import PHONES
from checkback.hearing.recogniser import Wordings, worded

P, B, T = (PHONES.index(name) for name in ("P", "B", "T"))
SAID = {"pub": ("P B",), "tip": ("T P", "T"), "pap": ("P P",), "bat": ("B T",), "tat": ("T",)}


def probabilities(frames: int, seed: int) -> NDArray[np.float32]:
    """Return logarithms of probabilities in which only three phones and the blank can be."""
    odds = np.full((frames, len(PHONES) + 1), 1e-9)
    odds[:, [P, B, T, BLANK]] = np.random.default_rng(seed).dirichlet([0.7] * 4, frames)
    return np.log(odds / odds.sum(axis=1, keepdims=True)).astype(np.float32)


def phones_of(words: str) -> list[tuple[int, ...]]:
    """Return every way to say some words."""
    ways = product(*(SAID[word] for word in words.split()))
    return [tuple(PHONES.index(phone) for phone in " ".join(way).split()) for way in ways]


def best_by_hand(heard: NDArray[np.float32], wordings: Wordings) -> float | None:
    """Return the best over all labels of all frames.

    By the definition of Graves et al. (2006), section 3.1: labels that repeat are one, then blanks are taken out.
    """
    wanted = {
        way
        for forms in product(*wordings)
        for way in phones_of(" ".join(word for form in forms for word in form))
    }
    best = None
    for labels in product((P, B, T, BLANK), repeat=len(heard)):
        if tuple(label for label, _ in groupby(labels) if label != BLANK) in wanted:
            total = float(sum(frame[label] for frame, label in zip(heard, labels, strict=True)))
            best = total if best is None else max(best, total)
    return None if best is None else best - float(heard.max(axis=1).sum())


WORD = st.sampled_from(sorted(SAID))
FORM = st.lists(WORD, min_size=1, max_size=2).map(tuple)
SENTENCE = st.lists(st.lists(FORM, min_size=1, max_size=2).map(tuple), min_size=1, max_size=2).map(tuple)


@pytest.mark.outside
@settings(max_examples=60)
@given(st.lists(SENTENCE, min_size=1, max_size=3), st.integers(1, 6), st.integers(0, 1000))
def test_the_best_way_is_that_of_all_ways(sentences: list[Wordings], frames: int, seed: int) -> None:
    """Outside: the definition of connectionist temporal classification, every labelling looked at."""
    heard = probabilities(frames, seed)
    for found, sentence in zip(PhoneAligner(SAID).logprobs(heard, sentences), sentences, strict=True):
        right = best_by_hand(heard, sentence)
        assert (found is None) == (right is None)
        if found is not None and right is not None:
            assert found == pytest.approx(right, abs=2e-3)


def certain(*labels: int) -> NDArray[np.float32]:
    odds = np.full((len(labels), len(PHONES) + 1), 1e-6, np.float32)
    odds[np.arange(len(labels)), labels] = 1.0
    return np.log(odds)


def test_a_word_too_few_or_too_many_costs_its_phones() -> None:
    heard = certain(BLANK, P, P, B, BLANK, B, T, BLANK)
    whole, less, more, other = PhoneAligner(SAID).logprobs(
        heard, [worded(words) for words in ("pub bat", "pub", "pub bat tat", "pub tat")]
    )
    assert whole == 0.0
    assert less is not None and more is not None and other is not None
    assert less < -20 and more < -10 and other < -10


def test_two_phones_alike_need_something_between() -> None:
    """Or "one one" and "one" could not be told apart where a vowel is long."""
    aligner = PhoneAligner({"tat": ("T",), "ta": ("T AA",)})
    (held,) = aligner.logprobs(certain(T, T, T), [worded("tat tat")])
    (parted,) = aligner.logprobs(certain(T, BLANK, T), [worded("tat tat")])
    assert held is not None and held < -10
    assert parted == 0.0


def test_what_cannot_be_said_in_so_few_frames_has_no_probability() -> None:
    heard = certain(P, B)
    assert PhoneAligner(SAID).logprobs(heard, [worded("pub bat"), worded("pub")]) == (None, 0.0)
    assert PhoneAligner(SAID).logprobs(heard[:0], [worded("pub")]) == (None,)
    assert PhoneAligner(SAID).logprobs(heard, []) == ()


def test_a_word_without_a_pronunciation_is_sounded_out() -> None:
    (found,) = PhoneAligner({}).logprobs(certain(P, PHONES.index("AE"), T), [worded("pat")])
    assert found == 0.0
