"""The phrase card shows all that can be said."""

from __future__ import annotations

import re

import english
from checkback.language.card import LONGEST_INLINE, example, phrase_card
from checkback.language.expression import parse
from checkback.language.phrasebook import ChoiceSlot

CARD = phrase_card(english.book())


def test_every_family_stands_in_the_order_of_the_phrasebook() -> None:
    titles = re.findall(r"^\*\*(.+?)\*\*$", CARD, flags=re.MULTILINE)
    families = [name.replace("_", " ") for _, name in english.FAMILIES]
    assert [title for title in titles if title in families][: len(families)] == families


def test_every_drug_stands_with_all_its_names() -> None:
    rows = [line for line in CARD.splitlines() if line.startswith("| ")]
    for drug in english.book().formulary.drug:
        (row,) = [row for row in rows if row.startswith((f"| {drug.name} |", f"| {drug.name} ("))]
        assert all(name in row for name in drug.say)
        assert row.count("|") == 5
        for amount in drug.dose + drug.rate:
            assert amount.unit.replace("ug", "µg") in row


def test_every_word_of_every_list_and_every_device_name_stands_there() -> None:
    for slot in english.book().file.slots.values():
        if isinstance(slot, ChoiceSlot):
            for said in slot.values.values():
                assert all(form in CARD for form in said)
    for item in english.book().catalogue.stock:
        assert all(curve in CARD for curve in item.curves)


def test_what_is_shown_is_in_the_notation_of_the_phrasebook() -> None:
    """Expansions on the card can be read again; slots stand with their range inside the brackets."""
    expansions = re.findall(r"^- `(.+)`$", CARD, flags=re.MULTILINE)
    assert len(expansions) >= len(english.FAMILIES)
    for text in expansions:
        plain = re.sub(r"<[^>]+>", "<slot>", text)
        parse(plain, lambda name: parse("word", {}.__getitem__))
        assert len(re.sub(r"<[^>]+>", "", text)) < 4 * LONGEST_INLINE


def test_every_example_is_understood_and_its_check_back_stands_beside_it() -> None:
    examples = re.findall(r"^“(.+?)”(?: → “(.+)”)?$", CARD, flags=re.MULTILINE)
    assert len(examples) == len(english.FAMILIES)
    for (role, name), (said, back) in zip(english.FAMILIES, examples, strict=True):
        readings = [reading for reading in english.reader().read(said) if reading.family == name]
        assert readings
        assert bool(back) == (role == "event" or (role == "answer" and readings[0].body is not None))


def test_the_example_leaves_nothing_out() -> None:
    assert " ".join(example(english.book().family_node("blood_pressure"))) == (
        "blood pressure one hundred fifty over eighty three"
    )


def test_it_says_what_the_ranges_are_for() -> None:
    assert english.book().formulary.note in CARD and "local protocol" in CARD
    assert english.book().catalogue.note in CARD


def test_it_is_markdown_that_prints() -> None:
    assert CARD.startswith("# ") and CARD.endswith("\n") and "\n\n\n" not in CARD
    assert CARD.count("`") % 2 == 0
    assert phrase_card(english.book()) == CARD
