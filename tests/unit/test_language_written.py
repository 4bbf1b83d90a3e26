"""The phrasebook as it is written: the same sentences, with numerals."""

from __future__ import annotations

import random
from functools import cache

from checkback.language.written import WrittenGraph, written_graph
from english import book, reader


@cache
def graph() -> WrittenGraph:
    return written_graph(book().said_at_any_time)


def texts_of(sentence: str) -> list[str]:
    """Return how a spoken sentence may be written."""
    words = tuple(sentence.split())
    out: dict[int, list[tuple[int, int]]] = {}
    for source, target, word in graph().arcs:
        out.setdefault(source, []).append((target, word))
    found = []
    waiting: list[tuple[int, int, tuple[str, ...]]] = [(graph().start, 0, ())]
    while waiting:
        state, at, written = waiting.pop()
        if at == len(words) and state in graph().finals:
            found.append(" ".join(written))
        for target, word in out.get(state, ()):
            for form in graph().forms[word]:
                if words[at : at + len(form)] == form:
                    waiting.append((target, at + len(form), (*written, graph().words[word])))
    return found


def test_numbers_are_numerals_and_letters_are_joined() -> None:
    assert texts_of("balloon two and a quarter by twelve fourteen atmospheres") == [
        "balloon 2.25 by 12 14 atmospheres"
    ]
    assert texts_of("stent three by eighteen") == ["stent 3 by 18"]
    assert texts_of("stent three point oh by eighteen") == ["stent 3.0 by 18"]
    assert "guide ACT 285" in texts_of("guide a c t two eighty five")
    assert texts_of("type a dissection") == ["type a dissection"]


def test_an_answer_to_a_question_is_not_said_at_any_time() -> None:
    assert reader().read("six")
    assert texts_of("six") == []


def test_every_other_sentence_that_can_be_said_can_be_written() -> None:
    rng = random.Random(5)
    families = [name for role, name, _ in book().families() if role in ("event", "dialogue", "question")]
    for name in families:
        sentence = book().sample(rng, name).words
        assert texts_of(sentence), sentence


def test_what_can_be_written_can_be_said() -> None:
    rng = random.Random(7)
    out: dict[int, list[tuple[int, int]]] = {}
    for source, target, word in graph().arcs:
        out.setdefault(source, []).append((target, word))
    for _ in range(60):
        state, words = graph().start, []
        while state not in graph().finals or (state in out and rng.random() < 0.5):
            state, word = rng.choice(out[state])
            words += rng.choice(graph().forms[word])
        if sum(word in ("ago", "at") for word in words) < 2:  # with two times nobody knows which one counts
            assert reader().read(" ".join(words)), words
