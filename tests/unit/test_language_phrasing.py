"""What is said and written back: complete, unmistakable, and the phrasebook's own words."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.language.phrasing import Phrasing, fill
from checkback.record.entry import (
    Alternative,
    CaseStart,
    Contrast,
    Device,
    Drug,
    Entry,
    Inflation,
    Moment,
    Unclear,
)
from strategies import BODY_CLASSES, bodies

PHRASING = Phrasing(english.book())


def is_clean(text: str) -> bool:
    return bool(text) and not set("{}[]<>|") & set(text) and text == " ".join(text.split())


@pytest.mark.parametrize("family", english.EVENTS)
def test_every_call_out_is_said_and_written_back(family: str) -> None:
    rng = random.Random(f"check-backs of {family}")
    for _ in range(100):
        sample = english.book().sample(rng, family)
        for reading in english.reader().read(sample.words):
            said, written = PHRASING.spoken(reading.body), PHRASING.written(reading.body)
            assert is_clean(said) and is_clean(written), (sample.words, said, written)
            assert not any(c.isdigit() for c in said), "the voice gets words only"


@pytest.mark.parametrize("kind", BODY_CLASSES, ids=lambda cls: cls.__name__)
def test_every_kind_of_entry_has_its_phrases(kind: Any) -> None:
    templates = english.book().file.back[kind.model_fields["kind"].default]
    for template in (templates.spoken, templates.written):
        asked: list[str] = []
        fill(template, lambda field, asked=asked: asked.append(field))  # type: ignore[misc]
        assert set(asked) <= set(kind.model_fields), "a template names a field that the kind lacks"


@given(bodies())
def test_no_entry_breaks_its_line(body: Any) -> None:
    for text in (PHRASING.written(body), PHRASING.spoken(body)):
        assert text == " ".join(text.split())


def test_every_number_and_name_that_was_recorded_is_said_back() -> None:
    """What the voice leaves out cannot be checked: all slots must come back, in words or as labels."""
    for sample in english.samples(2000, seed=3):
        if sample.fields["@role"] != "event":
            continue
        for reading in english.reader().read(sample.words):
            said = PHRASING.spoken(reading.body)
            for field, value in dict(reading.body).items():
                if isinstance(value, Decimal):
                    assert PHRASING.number(value) in said, (sample.words, field, said)


# --- examples ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "spoken", "written"),
    [
        (
            Device(
                device="balloon",
                type="non-compliant",
                diameter_mm=Decimal("2.5"),
                length_mm=Decimal(15),
                stocked=True,
                pressure_atm=Decimal(14),
            ),
            "non compliant balloon two point five by one five, fifteen, one four, fourteen atmospheres",
            "non-compliant balloon 2.5 × 15 mm, 14 atm",
        ),
        (
            Device(device="balloon", diameter_mm=Decimal(3), length_mm=Decimal(28), stocked=False),
            "balloon three by twenty eight",
            "balloon 3.0 × 28 mm (not in stock)",
        ),
        (
            Drug(drug="heparin", dose=Decimal(5000), unit="U", route="intravenous"),
            "heparin, five thousand units, intravenous",
            "heparin 5000 U intravenous",
        ),
        (
            Drug(drug="nitroglycerin", dose=Decimal(200), unit="ug"),
            "nitroglycerin, two hundred micrograms",
            "nitroglycerin 200 µg",
        ),
        (Inflation(), "up", "balloon up"),
        (
            Contrast(volume_ml=Decimal(40), counted="given"),
            "contrast given four zero, forty",
            "contrast given 40 mL",
        ),
    ],
)
def test_examples(body: Any, spoken: str, written: str) -> None:
    assert PHRASING.spoken(body) == spoken
    assert PHRASING.written(body) == written


def test_a_part_with_a_missing_field_is_left_out() -> None:
    there = {"a": "one", "c": "three"}
    assert fill("{a}[, {b}][ and {c}[ or {b}]]", there.get) == "one and three"
    assert fill("{b}", there.get) == ""


def test_the_question_between_two_readings_numbers_them() -> None:
    bodies = [r.body for r in english.reader().read("contrast forty")]
    assert PHRASING.options(bodies) == (
        "option one, contrast given four zero, forty, or option two, contrast total four zero, forty?"
    )


def test_a_question_is_shown_with_what_it_is_between() -> None:
    at = Moment(wall=datetime(2026, 3, 2, 9, 14, tzinfo=UTC), monotonic_s=0)
    entry = Entry(
        n=1,
        session=1,
        at=at,
        said=at,
        recorded=at,
        source="speech",
        standing="questioned",
        body=Unclear(),
        alternatives=tuple(
            Alternative(words="contrast forty", body=r.body) for r in english.reader().read("contrast forty")
        ),
    )
    assert PHRASING.summary(entry) == "contrast given 40 mL / contrast total 40 mL"
    assert PHRASING.summary(entry.model_copy(update={"alternatives": ()})) == "not settled"
    assert PHRASING.summary(entry.model_copy(update={"body": CaseStart()})) == "case started"


@given(st.times())
def test_the_time_of_day_is_said_as_it_is_heard(time: Any) -> None:
    wall = datetime(2026, 3, 2, time.hour, time.minute)
    (reading,) = english.reader().read(f"at {PHRASING.clock_time(wall)} time out")
    assert reading.clock == (time.hour, time.minute)


def test_every_unit_of_the_formulary_has_words() -> None:
    units = {amount.unit for drug in english.book().formulary.drug for amount in (*drug.dose, *drug.rate)}
    assert units <= set(english.book().file.spoken_units)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("amiodarone 300 mg", "amiodarone three hundred milligrams"),
        ("1 to 1.5 mg/kg", "one to one point five milligrams per kilo"),
        ("epinephrine 1 mg.", "epinephrine one milligram."),
        ("small balloon 45 %, snare 26 %", "small balloon forty five %, snare twenty six %"),
        # neither a grade nor a range nor a count with a comma is taken apart
        ("BARC 3a, 120-200, 11,773", "BARC 3a, 120-200, 11,773"),
    ],
)
def test_amounts_in_a_sentence_are_said_in_words(text: str, said: str) -> None:
    assert Phrasing(english.book()).amounts(text) == said
