"""The language of the phrasebook, worked out a second time by finite-state algebra (pynini).

The same sentences must be accepted by the matcher, by the word graph that recognisers are given,
by the JSGF, and by an acceptor put together with pynini's own operations.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterable, Mapping
from functools import cache, reduce

import pynini
import pytest

import english
from checkback.language.expression import (
    Choice,
    Named,
    Node,
    Optional,
    Sequence,
    Table,
    Tagged,
    Word,
)
from checkback.language.reading import match
from checkback.language.wordgraph import WordGraph, jsgf

pytestmark = pytest.mark.outside


class Algebra:
    """Acceptors over words, one symbol a word."""

    def __init__(self, words: Iterable[str]) -> None:
        self.symbols = pynini.SymbolTable()
        self.symbols.add_symbol("<epsilon>")
        for word in words:
            self.symbols.add_symbol(word)

    def words(self, words: Iterable[str]) -> pynini.Fst:
        return pynini.accep(" ".join(words), token_type=self.symbols)

    def either(self, options: Iterable[pynini.Fst]) -> pynini.Fst:
        return pynini.union(*options).optimize()

    def one_after_the_other(self, parts: Iterable[pynini.Fst]) -> pynini.Fst:
        return reduce(pynini.concat, parts)

    def maybe(self, part: pynini.Fst) -> pynini.Fst:
        return pynini.closure(part, 0, 1)

    def accepts(self, acceptor: pynini.Fst, sentence: str) -> bool:
        words = sentence.split()
        if any(self.symbols.find(word) == pynini.NO_LABEL for word in words):
            return False
        return bool(pynini.intersect(self.words(words), acceptor).num_states())

    def of_tree(self, root: Node) -> pynini.Fst:
        """Put a syntax tree together; shared parts are made once."""
        made: dict[int, pynini.Fst] = {}

        def of(node: Node) -> pynini.Fst:
            if id(node) not in made:
                made[id(node)] = build(node)
            return made[id(node)]

        def build(node: Node) -> pynini.Fst:
            match node:
                case Word(text):
                    return self.words([text])
                case Table(_, meanings):
                    return self.either(self.words(form) for _, forms in meanings for form in forms)
                case Sequence(parts):
                    return self.one_after_the_other([of(part).copy() for part in parts])
                case Choice(options):
                    return self.either([of(option) for option in options])
                case Optional(part):
                    return self.maybe(of(part))
                case Tagged(_, part) | Named(_, part):
                    return of(part)
            raise TypeError(type(node).__name__)

        return of(root).optimize()

    def of_graph(self, graph: WordGraph) -> pynini.Fst:
        fst = pynini.Fst()
        fst.add_states(len(graph.arcs))
        fst.set_start(graph.start)
        for state, out in enumerate(graph.arcs):
            for word, target in out.items():
                label = self.symbols.find(word)
                fst.add_arc(state, pynini.Arc(label, label, pynini.Weight.one("tropical"), target))
        for state in graph.finals:
            fst.set_final(state)
        return fst

    def of_jsgf(self, text: str) -> pynini.Fst:
        """Read the JSpeech Grammar Format: words, <rules>, alternatives, groups, options."""
        rules = dict(re.findall(r"^(?:public )?<(\w+)> = (.*);$", text, flags=re.MULTILINE))
        (public,) = re.findall(r"^public <(\w+)>", text, flags=re.MULTILINE)

        @cache
        def rule(name: str) -> pynini.Fst:
            tokens = re.findall(r"<\w+>|[\[\]()|]|[^\s\[\]()|<>]+", rules[name])
            expansion = alternatives(tokens)
            assert not tokens, f"<{name}> goes on with {tokens[:5]}"
            return expansion.optimize()

        def alternatives(tokens: list[str]) -> pynini.Fst:
            options = [sequence(tokens)]
            while tokens and tokens[0] == "|":
                tokens.pop(0)
                options.append(sequence(tokens))
            return pynini.union(*options)

        def sequence(tokens: list[str]) -> pynini.Fst:
            parts = []
            while tokens and tokens[0] not in ("|", ")", "]"):
                token = tokens.pop(0)
                if token in ("(", "["):
                    inner = alternatives(tokens)
                    assert tokens.pop(0) == {"(": ")", "[": "]"}[token]
                    parts.append(inner if token == "(" else self.maybe(inner))
                elif token.startswith("<"):
                    parts.append(rule(token[1:-1]).copy())
                else:
                    parts.append(self.words([token]))
            return self.one_after_the_other(parts)

        return rule(public)


@pytest.fixture(scope="module")
def algebra() -> Algebra:
    return Algebra(english.vocabulary())


@pytest.fixture(scope="module")
def language(algebra: Algebra) -> pynini.Fst:
    return algebra.of_tree(english.book().spoken)


@pytest.fixture(scope="module")
def sentences() -> list[str]:
    sampled = [sample.words for sample in english.samples(2000, seed=21)]
    rng = random.Random(22)
    return sampled + [english.spoilt(sentence, rng) for sentence in sampled]


def test_the_word_graph_is_exactly_the_language(algebra: Algebra, language: pynini.Fst) -> None:
    graph = algebra.of_graph(english.graph())
    assert pynini.equivalent(graph, language)
    # and not larger than pynini's own minimal one
    assert graph.num_states() == language.num_states()


def test_the_jsgf_is_exactly_the_language(algebra: Algebra, language: pynini.Fst) -> None:
    text = jsgf(english.book().spoken, "english", "en")
    assert pynini.equivalent(algebra.of_jsgf(text), language)


def test_matcher_graph_and_algebra_accept_the_same_sentences(
    algebra: Algebra, language: pynini.Fst, sentences: list[str]
) -> None:
    accepted = 0
    for sentence in sentences:
        expected = algebra.accepts(language, sentence)
        accepted += expected
        words = tuple(sentence.split())
        assert bool(match(english.book().spoken, words)) == expected, sentence
        assert bool(english.reader().read(sentence)) == expected, sentence
        assert english.graph().accepts(words) == expected, sentence
    assert 2000 <= accepted < 3500, "spoilt sentences are mostly no sentences"


def test_every_family_that_a_sentence_belongs_to_has_a_reading(algebra: Algebra) -> None:
    """No family is lost, and none invented: each has an acceptor of its own here."""
    families: Mapping[str, pynini.Fst] = {
        name: algebra.of_tree(english.book().family_node(name)) for name in english.EVENTS
    }
    rng = random.Random(23)
    ambiguous = 0
    for _ in range(300):
        sentence = english.book().sample(rng, rng.choice(english.EVENTS)).words
        expected = {name for name, acceptor in families.items() if algebra.accepts(acceptor, sentence)}
        readings = english.reader().read(sentence)
        events = {r.family for r in readings if r.role == "event" and not r.correction}
        assert events == expected, sentence
        ambiguous += len(expected) > 1
    assert ambiguous
