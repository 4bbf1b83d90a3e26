"""Words find the sentence of the phrasebook that sounds most like them."""

from __future__ import annotations

from functools import cache
from itertools import islice, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import english
from checkback.errors import UserError
from checkback.hearing.phonetic import PHONES, SoundMatcher, sounded_out
from checkback.hearing.pronunciations import every_pronunciation
from checkback.hearing.recogniser import Grammar
from checkback.listeners import grammar_of


@cache
def matcher() -> SoundMatcher:
    grammar = grammar_of(english.book())
    return SoundMatcher(grammar, every_pronunciation(grammar.pronunciations))


@cache
def dictionary() -> dict[str, tuple[str, ...]]:
    """The bundled dictionary; reading it takes longer than any search."""
    return every_pronunciation({})


def nearest(words: str) -> str:
    return next(iter(matcher().nearest(words.split()))).words


def small(*sentences: str) -> Grammar:
    """Return a grammar of a few sentences, each a way of its own."""
    arcs: list[tuple[int, int, str]] = []
    state = 1
    for sentence in sentences:
        words = sentence.split()
        places = [0, *range(state + 1, state + len(words)), 1]
        state += len(words)
        arcs += [(places[n], places[n + 1], word) for n, word in enumerate(words)]
    return Grammar(tuple(arcs), 0, 1, {}, (), "")


# --- trade words spelt by ear ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("north pine frame eight micrograms", "norepinephrine eight micrograms"),
        ("blown three point zero buy fifteen", "balloon three point zero by fifteen"),
        ("night row glycerin two hundred mics", "nitroglycerin two hundred mics"),
        ("hep are in five thousand units", "heparin five thousand units"),
        ("would not kross", "would not cross"),
    ],
)
def test_what_was_spelt_by_ear_is_found(written: str, meant: str) -> None:
    assert nearest(written) == meant


@given(st.integers(0, 2**32))
@settings(max_examples=25)
def test_a_sentence_of_the_phrasebook_is_nearest_to_itself(seed: int) -> None:
    import random

    words = english.book().sample(random.Random(seed)).words
    first = next(iter(matcher().nearest(words.split())))
    # another one may be said exactly alike: "eight in" and "eighteen"
    assert first.distance <= matcher().apart(words.split(), words.split())
    assert matcher().phones(first.words.split()) == matcher().phones(words.split()) or first.words == words


def test_they_come_nearest_first_and_each_once() -> None:
    found = list(islice(matcher().nearest("contrast fifteen".split()), 40))
    assert [near.distance for near in found] == sorted(near.distance for near in found)
    assert len({near.words for near in found}) == len(found)
    assert [near.words for near in found[:2]] == ["contrast fifteen", "contrast fifty"]


def test_every_sentence_that_comes_is_one_of_the_phrasebook() -> None:
    for near in islice(matcher().nearest("the weather is nice today".split()), 20):
        assert english.graph().accepts(near.words.split()), near.words


def test_none_comes_that_is_too_far_behind_the_nearest() -> None:
    found = [near.distance for near in islice(matcher().nearest("contrast fifteen".split(), within=1.0), 200)]
    assert max(found) <= found[0] + 1.0


def test_nothing_sounds_like_nothing() -> None:
    assert list(matcher().nearest([])) == []


# --- against another computation -------------------------------------------------------------------


def distances_by_hand(matcher: SoundMatcher, heard: str, grammar: Grammar) -> dict[str, float]:
    """Return the distance of every sentence, by the plain table of edits for each."""
    onward: dict[int, list[tuple[int, str]]] = {}
    for source, target, word in grammar.arcs:
        onward.setdefault(source, []).append((target, word))
    found = {}
    ways = [(grammar.start, "")]
    while ways:
        state, words = ways.pop()
        if state == grammar.final:
            found[words.strip()] = matcher.apart(heard.split(), words.split())
        ways += [(target, f"{words} {word}") for target, word in onward.get(state, [])]
    return found


@given(
    st.lists(
        st.sampled_from("two ten twelve eight in out balloon wire stent".split()), min_size=1, max_size=5
    ),
    st.sampled_from([0.0, 0.8, 2.6, 1e9]),
    st.sampled_from([1.0, 4.0, 1e9]),
)
@settings(max_examples=80)
def test_the_search_finds_the_same_as_a_table_for_each_sentence(
    heard: list[str], within: float, farthest: float
) -> None:
    # words with one pronunciation each, so that both count the same
    ways = {word: dictionary()[word][:1] for word in "two ten twelve eight in out balloon wire stent".split()}
    parts = product(("balloon", "wire", "stent"), ("two", "eight", "twelve"), ("in", "out"))
    grammar = small(*(" ".join(words) for words in parts))
    searching = SoundMatcher(grammar, ways)
    by_hand = distances_by_hand(searching, " ".join(heard), grammar)
    near = list(searching.nearest(heard, within=within, farthest=farthest))
    assert near == sorted(near, key=lambda each: each.distance)
    found = {each.words: each.distance for each in near}
    most, rounded = min(min(by_hand.values()) + within, farthest), 0.005
    assert {words for words, apart in by_hand.items() if apart < most - rounded} <= found.keys()
    assert found.keys() <= {words for words, apart in by_hand.items() if apart < most + rounded}
    for words, distance in found.items():
        assert distance == pytest.approx(by_hand[words], abs=0.01), words


WAYS = {
    "two": ("T UW", "T AH", "D UW"),
    "to": ("T AH", "T UW"),
    "ten": ("T EH N",),
    "in": ("IH N", "AH N"),
    "wire": ("W AY ER", "W AY R"),
}


@given(
    st.lists(st.sampled_from("T D UW AH IH N W AY ER R EH".split()), min_size=1, max_size=7),
    st.sampled_from([0.0, 1.0, 30.0]),
)
@settings(max_examples=150)
def test_the_nearest_way_to_say_a_sentence_counts(phones: list[str], within: float) -> None:
    # wire [in] (two | to | ten) [in]: "to" may be said as "two" is
    arcs = [(0, 1, "wire"), (1, 2, "in"), (1, 2, ""), (3, 4, "in"), (3, 4, "")]
    arcs += [(2, 3, word) for word in ("two", "to", "ten")]
    # and each way as a word that has no other
    each = {f"{word} as {way}": (way,) for word, ways in WAYS.items() for way in ways}
    searching = SoundMatcher(Grammar(tuple(arcs), 0, 4, {}, (), ""), WAYS | each | {p: (p,) for p in phones})
    by_hand = {}
    for before, word, behind in product(("", "in"), ("two", "to", "ten"), ("", "in")):
        words = [part for part in ("wire", before, word, behind) if part]
        said = product(*([f"{part} as {way}" for way in WAYS[part]] for part in words))
        by_hand[" ".join(words)] = min(searching.apart(phones, ways) for ways in said)
    near = list(searching.nearest_phones(searching.phones(phones), within=within))
    assert near == sorted(near, key=lambda one: one.distance)
    found = {one.words: one.distance for one in near}
    most = min(by_hand.values()) + within
    assert {words for words, apart in by_hand.items() if apart < most - 0.005} <= found.keys()
    assert found.keys() <= {words for words, apart in by_hand.items() if apart < most + 0.005}
    for words, distance in found.items():
        assert distance == pytest.approx(by_hand[words], abs=0.01), words


def test_phones_that_sound_alike_are_nearer() -> None:
    grammar = small("ten", "pen", "men")
    found = [near.words for near in SoundMatcher(grammar, dictionary()).nearest(["den"], within=9)]
    assert found[0] == "ten"


def test_a_word_that_no_dictionary_has_is_sounded_out() -> None:
    assert sounded_out("zotaphine")[:4] == ("Z", "AA", "T", "AE")
    assert set(sounded_out("quixzyght")) <= set(PHONES)


def test_the_distance_is_of_phones_and_symmetric_in_none_of_its_costs_below_zero() -> None:
    assert matcher().apart(["fifty"], ["fifty"]) == 0.0
    assert 0 < matcher().apart(["fifteen"], ["fifty"]) < matcher().apart(["nine"], ["fifty"])
    assert np.isfinite(matcher().apart([], ["fifty"]))


def test_a_word_that_cannot_be_pronounced_is_named() -> None:
    with pytest.raises(UserError, match="xqzt"):
        SoundMatcher(small("xqzt"), dictionary())
