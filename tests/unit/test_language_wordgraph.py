"""The word graph that recognisers are given, and the phrase list for those that take phrases."""

from __future__ import annotations

import random
from collections.abc import Iterable

import pytest

import english
from checkback.language.phrasebook import times_told
from checkback.language.reading import match
from checkback.language.wordgraph import WordGraph, word_graph

PHRASES = english.graph().covering_sentences()


def neighbours(sentences: Iterable[str]) -> set[tuple[str, str]]:
    """Return the pairs of neighbouring words, with an empty one before the first and after the last."""
    return {
        pair
        for sentence in sentences
        for pair in zip(["", *sentence.split()], [*sentence.split(), ""], strict=True)
    }


def legal_pairs(graph: WordGraph) -> set[tuple[str, str]]:
    before: list[set[str]] = [set() for _ in graph.arcs]
    before[graph.start].add("")
    for out in graph.arcs:
        for word, state in out.items():
            before[state].add(word)
    pairs = {(a, b) for state, out in enumerate(graph.arcs) for a in before[state] for b in out}
    return pairs | {(a, "") for state in graph.finals for a in before[state]}


def test_every_sampled_sentence_is_a_path() -> None:
    for sample in english.samples(2000, seed=11):
        assert english.graph().accepts(sample.words.split()), sample.words


def test_a_random_path_is_a_sentence_with_a_reading() -> None:
    rng, graph = random.Random(12), english.graph()
    for _ in range(2000):
        state, words = graph.start, []
        while graph.arcs[state] and not (state in graph.finals and rng.random() < 0.3):
            word, state = rng.choice(list(graph.arcs[state].items()))
            words.append(word)
        # the graph has times in front and behind; a sentence with both means nothing
        meanings = match(english.book().spoken, tuple(words))
        assert meanings, words
        two_times = all(times_told(fields) > 1 for fields in meanings)
        assert bool(english.reader().read(" ".join(words))) != two_times, words


def test_it_is_minimal_and_every_state_is_on_a_path() -> None:
    graph = english.graph()
    keys = {(state in graph.finals, tuple(sorted(out.items()))) for state, out in enumerate(graph.arcs)}
    assert len(keys) == len(graph.arcs), "two states have the same future"
    targets = {state for out in graph.arcs for state in out.values()}
    assert targets | {graph.start} == set(range(len(graph.arcs)))
    assert all(out or state in graph.finals for state, out in enumerate(graph.arcs))


def test_as_plain_arcs_it_has_one_last_state() -> None:
    arcs, start, last = english.graph().flat()
    assert all(source != last for source, _, _ in arcs)
    ends = {source for source, target, word in arcs if target == last and word == ""}
    assert ends == english.graph().finals and start == english.graph().start
    assert sum(word != "" for *_, word in arcs) == sum(map(len, english.graph().arcs))


def test_it_knows_exactly_the_words_of_the_phrasebook() -> None:
    assert {word for out in english.graph().arcs for word in out} == set(english.vocabulary())


def test_every_word_that_only_the_phrasebook_pronounces_is_used() -> None:
    assert set(english.book().pronunciations) <= set(english.vocabulary())


# --- phrase list ---------------------------------------------------------------------------------


def test_every_phrase_is_a_sentence() -> None:
    assert all(english.graph().accepts(phrase.split()) for phrase in PHRASES)
    assert len(set(PHRASES)) == len(PHRASES)


def test_the_phrases_hold_every_legal_pair_of_words_and_no_other() -> None:
    assert neighbours(PHRASES) == legal_pairs(english.graph())


def test_pairs_of_random_sentences_are_among_them() -> None:
    assert neighbours(s.words for s in english.samples(3000, seed=13)) <= neighbours(PHRASES)


def test_the_list_is_not_much_longer_than_it_must_be() -> None:
    """A number that ends what stands in front, with the first word of a call-out, is in few sentences.

    Such a pair stands at the beginning of the call-out only, of which a sentence has one, or two
    with a correction and a time; half of these pairs is then less than any list can have.
    """
    graph = english.graph()
    begins = {state for state, out in enumerate(graph.arcs) if len(out) > 150}
    places: dict[tuple[str, str], set[int]] = {}
    for out in graph.arcs:
        for word, target in out.items():
            for after in graph.arcs[target]:
                places.setdefault((word, after), set()).add(target)
    only_there = [pair for pair, states in places.items() if states <= begins]
    assert len(only_there) / 2 < len(PHRASES) < 1.5 * len(only_there)


@pytest.mark.parametrize("family", ["deflation", "say_again", "closure", "blood_pressure"])
def test_small_graphs_are_covered_too(family: str) -> None:
    graph = word_graph(english.book().family_node(family))
    assert neighbours(graph.covering_sentences()) == legal_pairs(graph)
