"""Typed call-outs: numerals, units and abbreviations as people type them."""

from __future__ import annotations

import random
import re
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.language.expression import (
    Choice,
    Fields,
    Named,
    Node,
    Optional,
    Sequence,
    Table,
    Tagged,
    Word,
)
from checkback.language.reading import normalise


def entries(sentence: str) -> list[dict[str, Any]]:
    return [reading.plain().get("entry", {}) for reading in english.typed_reader().read(sentence)]


@pytest.mark.parametrize(
    ("short", "spoken"),
    [
        ("balloon 2.5x12 14 atm", "balloon two five by twelve fourteen atmospheres"),
        ("Balloon 2.50 × 12, 14atm.", "balloon two five by twelve fourteen atmospheres"),
        (
            "NC balloon 3.0x15 in",
            "non compliant balloon three oh by fifteen in",
        ),
        ("2.75x28 stent deployed at 12", "two seven five by twenty eight stent deployed at twelve"),
        ("up to 16 atm for 20 s", "up to sixteen atmospheres for twenty seconds"),
        ("heparin 5,000 units iv", "heparin five thousand units intravenous"),
        ("nitroglycerin 200mcg ic", "nitroglycerin two hundred micrograms intracoronary"),
        ("nitroglycerin 200 \u00b5g", "nitroglycerin two hundred micrograms"),
        ("nitroglycerin 200 \u03bcg", "nitroglycerin two hundred micrograms"),
        (
            "norepinephrine infusion 0.1 ug/kg/min",
            "norepinephrine infusion point one micrograms per kilo per minute",
        ),
        ("guide JR4 6 Fr", "guide j r four six french"),
        ("guide j r four six french", "guide j r four six french"),
        ("s v t", "supraventricular tachycardia"),
        ("ACT 250s from the guide", "a c t two fifty from the guide"),
        ("BP 120/80", "blood pressure one twenty over eighty"),
        ("mid LAD 80%", "mid l a d eighty percent"),
        ("shock 200 J", "shock two hundred joules"),
        ("ffr 0.82", "f f r point eight two"),
        ("fluoro time 12.4 min", "fluoro time twelve point four minutes"),
        ("air kerma 1,200 mGy", "air kerma twelve hundred milligray"),
        ("2 min ago balloon down", "two minutes ago balloon down"),
        ("correction entry 5 12 atm", "correction entry five twelve atmospheres"),
    ],
)
def test_typed_means_what_is_spoken(short: str, spoken: str) -> None:
    (meant,) = english.reader().read(spoken)
    assert meant.plain() in [reading.plain() for reading in english.typed_reader().read(short)]


def typed(node: Node, rng: random.Random) -> tuple[list[str], Fields]:
    """Make a sentence as `Phrasebook.sample` does, but write every number in numerals."""
    match node:
        case Word(text):
            return [text], ()
        case Sequence(parts):
            made = [typed(part, rng) for part in parts]
            return [w for words, _ in made for w in words], tuple(f for _, fields in made for f in fields)
        case Choice(options):
            return typed(rng.choice(options), rng)
        case Optional(part):
            return typed(part, rng) if rng.random() < 0.5 else ([], ())
        case Tagged(tags, part):
            words, fields = typed(part, rng)
            return words, tags + fields
        case Named(_, part):
            return typed(part, rng)
        case Table(_, meanings):
            fields, forms = rng.choice(meanings)
            numbers = [value for _, value in fields if isinstance(value, Decimal)]
            if numbers:
                return [rng.choice([f"{numbers[0]:f}", f"{float(numbers[0]):g}"])], fields
            return list(rng.choice(forms)), fields
    raise TypeError(type(node).__name__)


@pytest.mark.parametrize("family", english.EVENTS)
def test_every_number_may_be_typed_in_numerals(family: str) -> None:
    rng = random.Random(f"numerals of {family}")
    for _ in range(100):
        words, fields = typed(english.book().family_node(family), rng)
        sentence = " ".join(words)
        for shown in (sentence, re.sub(r"(?<=\d) by (?=\d)", "x", sentence), sentence.upper()):
            readings = english.typed_reader().read(shown)
            assert any(english.says(r, dict(fields)) for r in readings), shown


def test_a_typed_size_off_the_shelf_is_marked() -> None:
    assert [(e["length_mm"], e["stocked"]) for e in entries("balloon 3.0x28")] == [(28, False)]
    assert [(e["length_mm"], e["stocked"]) for e in entries("balloon 3.0x20")] == [(20, True)]


def test_numerals_are_not_for_speech() -> None:
    assert english.reader().read("balloon 2.5 by 12") == ()


@given(st.text(max_size=60))
def test_whatever_is_typed_gives_words(text: str) -> None:
    words = normalise(text, english.book().file.typed)
    assert all(word and not re.search(r"\s", word) for word in words)
    english.typed_reader().read(text)
