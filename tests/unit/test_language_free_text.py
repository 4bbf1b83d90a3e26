"""What free recognisers write becomes the words that were said, and the other way round."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import english
from checkback.language.free_text import as_written, spoken_words
from checkback.listeners import language_of

FILE = english.book().file


def said(text: str) -> str:
    return " ".join(spoken_words(text, FILE.numbers, FILE.typed))


def written(sentence: str) -> str:
    return as_written(sentence, english.reader().read(sentence), FILE.numbers)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Balloon 2.5 x 12, 14 atmospheres.", "balloon two point five by twelve fourteen atmospheres"),
        ("ACT 255.", "a c t two hundred fifty five"),
        ("Heparin 5,000 units.", "heparin five thousand units"),
        ("BP 120/80", "b p one hundred twenty over eighty"),
        ("Mid L.A.D. 80%", "mid l a d eighty percent"),
        ("V-fib!", "v fib"),
        ("What's in?", "what's in"),
        ("Lot 007", "lot zero zero seven"),
        ("12345678", "one two three four five six seven eight"),
        ("...", ""),
        ("", ""),
    ],
)
def test_what_was_written_becomes_words(text: str, words: str) -> None:
    assert said(text) == words


@pytest.mark.parametrize(
    ("sentence", "text"),
    [
        ("balloon two five by twelve fourteen atmospheres", "Balloon 2.5 by 12, 14 atmospheres."),
        ("a c t two fifty five", "ACT 255."),
        ("heparin five thousand units", "Heparin 5000 units."),
        ("disregard entry eighty four", "Disregard entry 84."),
        ("would not cross", "Would not cross."),
    ],
)
def test_a_sentence_of_the_phrasebook_is_written_as_people_write(sentence: str, text: str) -> None:
    assert written(sentence) == text


@given(st.integers(0, 2**32))
@settings(max_examples=60)
def test_written_and_read_again_nothing_but_the_way_of_saying_numbers_changes(seed: int) -> None:
    sentence = english.book().sample(random.Random(seed)).words
    again = said(written(sentence))
    number_words = {
        *FILE.numbers.digits, *FILE.numbers.zeros, *FILE.numbers.teens, *FILE.numbers.tens, FILE.numbers.point,
        "hundred", "thousand", "and", "a", "half", "quarter", "quarters", "minute", "one",
    }  # fmt: skip
    assert [w for w in again.split() if w not in number_words] == [
        w for w in sentence.split() if w not in number_words
    ]


def test_the_attention_word_is_part_of_the_meaning() -> None:
    language = language_of(english.book(), ("check", "back"))
    plain, called = language.meaning("wire out"), language.meaning("check back wire out")
    assert plain is not None and called is not None and called != plain
    assert language.meaning("check back") == ("called",)
    assert language.meaning("check back the weather") is None
    assert language.written("check back wire out") == "Check back, Wire out."
