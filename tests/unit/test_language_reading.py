"""Every sentence of the phrasebook is read as what it was made from, and every reading is found."""

from __future__ import annotations

import random
from collections.abc import Iterator
from decimal import Decimal
from itertools import product
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.language.expression import (
    Choice,
    Fields,
    Form,
    Named,
    Node,
    Optional,
    Sequence,
    Table,
    Tagged,
    Word,
)
from checkback.language.reading import MAX_READINGS, match
from checkback.language.wordgraph import word_graph
from checkback.record.entry import BODY


def entries(sentence: str, *, typed: bool = False) -> list[dict[str, Any]]:
    readings = (english.typed_reader() if typed else english.reader()).read(sentence)
    return [reading.plain()["entry"] for reading in readings]


# --- sentences of the phrasebook -----------------------------------------------------------------


@pytest.mark.parametrize(("role", "family"), english.FAMILIES)
def test_every_sentence_of_a_family_is_read_as_what_it_was_made_from(role: str, family: str) -> None:
    rng = random.Random(f"sentences of {family}")
    # fragments mean something behind "correction" only
    front, marks = ("correction ", {"@correction": True}) if role == "fragment" else ("", {})
    for _ in range(300):
        sample = english.book().sample(rng, family)
        readings = english.reader().read(front + sample.words)
        assert any(english.says(r, {**sample.fields, **marks}) for r in readings), sample


@given(st.integers(0, 2**64))
def test_whole_sentences_with_what_stands_in_front(seed: int) -> None:
    sample = english.book().sample(random.Random(seed))
    readings = english.reader().read(sample.words)
    assert any(english.says(r, sample.fields) for r in readings), sample
    assert any(english.says(r, sample.fields) for r in english.typed_reader().read(sample.words))


@given(st.integers(0, 2**64), st.sampled_from(english.EVENTS))
def test_every_reading_of_a_call_out_is_a_valid_entry(seed: int, family: str) -> None:
    sample = english.book().sample(random.Random(seed), family)
    for reading in english.reader().read(sample.words):
        assert BODY.validate_python(dict(reading.fields)) == reading.body


def test_no_sentence_has_more_readings_than_are_kept() -> None:
    for sample in english.samples(3000, seed=1):
        assert len(english.reader().read(sample.words)) < MAX_READINGS


def test_sampling_is_the_same_for_the_same_seed() -> None:
    assert english.samples(20, seed=5) == english.samples(20, seed=5)


# --- two readings: never guessed -----------------------------------------------------------------


def test_the_shelf_decides_what_a_spoken_size_is() -> None:
    # 3.0 x 28 is not on the shelf, so nothing else can have been said
    assert entries("balloon three by twenty eight") == [
        {
            "kind": "device",
            "device": "balloon",
            "diameter_mm": 3,
            "length_mm": 20,
            "stocked": True,
            "pressure_atm": 8,
        }
    ]
    # 2.75 x 25 is, but so is 2.75 x 20 at 5 atmospheres
    sizes = entries("coated balloon two point seven five by twenty five")
    assert [(e["length_mm"], e.get("pressure_atm")) for e in sizes] == [(25, None), (20, 5)]


def test_typed_sizes_may_be_off_the_shelf_and_are_marked() -> None:
    both = entries("balloon three by twenty eight", typed=True)
    assert [(e["length_mm"], e["stocked"], e.get("pressure_atm")) for e in both] == [
        (28, False, None),
        (20, True, 8),
    ]


def test_contrast_given_or_total() -> None:
    assert [(e["volume_ml"], e["counted"]) for e in entries("contrast forty")] == [
        (40, "given"),
        (40, "total"),
    ]
    assert [e["counted"] for e in entries("contrast forty total")] == ["total"]
    assert [e["counted"] for e in entries("forty mils contrast")] == ["given"]


def test_contrast_total_alone_is_a_question() -> None:
    assert [r.role for r in english.reader().read("contrast total")] == ["question"]


def test_to_and_two_never_make_the_difference() -> None:
    """The ear takes one for the other: "up to eight" must not be twenty-eight atmospheres."""
    assert [e["pressure_atm"] for e in entries("up to eight")] == [8]
    assert [e["pressure_atm"] for e in entries("up twenty eight")] == [28]
    assert entries("up two eight") == []
    for sample in english.samples(5000, seed=7):
        words = sample.words.split()
        readings = [reading.plain() for reading in english.reader().read(sample.words)]
        for i, word in enumerate(words):
            if word in ("to", "two"):
                words[i] = "two" if word == "to" else "to"
                sounds_alike = english.reader().read(" ".join(words))
                assert [reading.plain() for reading in sounds_alike] in ([], readings), words
                words[i] = word


@pytest.mark.parametrize(
    "sentence",
    [
        "",
        "   ",
        "balloon",
        "balloon three by",
        "by twenty",
        "stent stent out",
        "how are you",
        "correction",
        "two minutes ago balloon down two minutes ago",
    ],
)
def test_no_reading(sentence: str) -> None:
    assert english.reader().read(sentence) == ()
    assert english.typed_reader().read(sentence) == ()


def test_correction_time_and_target_are_kept_apart_from_the_entry() -> None:
    (reading,) = english.reader().read("correction entry twelve two minutes ago balloon down")
    assert (reading.correction, reading.target, reading.ago_s) == (True, 12, 120.0)
    assert reading.plain()["entry"] == {"kind": "deflation"}
    (reading,) = english.reader().read("at nine oh five time out")
    assert (reading.clock, reading.correction, reading.target) == ((9, 5), False, None)


# --- the matcher against a listing of everything -----------------------------------------------------

WORDS = st.sampled_from("one two up".split())
FORMS = st.lists(WORDS, min_size=1, max_size=2).map(tuple)


@st.composite
def tables(draw: st.DrawFn) -> Table:
    listed = draw(st.lists(st.lists(FORMS, min_size=1, max_size=2), min_size=1, max_size=3))
    meanings = tuple(((("n", i),), tuple(forms)) for i, forms in enumerate(listed))
    return Table("t", meanings)


TREES: st.SearchStrategy[Node] = st.recursive(
    st.builds(Word, WORDS) | tables(),
    lambda inner: st.one_of(
        st.lists(inner, min_size=2, max_size=3).map(lambda parts: Sequence(tuple(parts))),
        st.lists(inner, min_size=2, max_size=3).map(lambda options: Choice(tuple(options))),
        inner.map(Optional),
        st.builds(Tagged, st.just((("tag", Decimal(1)),)), inner),
        st.builds(Named, st.just("name"), inner),
    ),
    max_leaves=6,
)


def everything(node: Node) -> Iterator[tuple[Form, Fields]]:
    """List every sentence of a small tree with what it means, by brute force."""
    match node:
        case Word(text):
            yield (text,), ()
        case Table(_, meanings):
            yield from ((form, fields) for fields, forms in meanings for form in forms)
        case Choice(options):
            for option in options:
                yield from everything(option)
        case Optional(part):
            yield (), ()
            yield from everything(part)
        case Tagged(tags, part):
            yield from ((words, tags + fields) for words, fields in everything(part))
        case Named(_, part):
            yield from everything(part)
        case Sequence(parts):
            for combination in product(*(list(everything(part)) for part in parts)):
                yield (
                    tuple(word for words, _ in combination for word in words),
                    tuple(field for _, fields in combination for field in fields),
                )


@given(TREES, st.lists(WORDS, max_size=6).map(tuple))
def test_every_reading_of_any_tree_is_found_and_no_other(tree: Node, random_words: Form) -> None:
    meanings: dict[Form, set[Fields]] = {}
    for words, fields in everything(tree):
        meanings.setdefault(words, set()).add(fields)
    accepts = word_graph(tree).accepts
    for words in {*meanings, random_words}:
        found = match(tree, words)
        assert len(found) == len(set(found))
        assert set(found) == meanings.get(words, set())
        assert accepts(words) == (words in meanings)
