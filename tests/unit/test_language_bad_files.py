"""A phrasebook, catalogue or formulary with a mistake: one sentence that names file and key."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import english
from checkback.errors import UserError
from checkback.language.phrasebook import Phrasebook

PHRASEBOOK, CATALOGUE, FORMULARY = "english.toml", "catalogue.toml", "formulary.toml"
PRONUNCIATIONS = "english.pronunciations"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(english.GRAMMARS, tmp_path / "grammars"))


def refusal(folder: Path) -> str:
    with pytest.raises(UserError) as caught:
        Phrasebook.load(folder)
    message = str(caught.value)
    assert "\n" not in message and len(message) < 1000, message
    return message


@pytest.mark.parametrize(
    ("file", "right", "wrong", "named"),
    [
        pytest.param(
            PHRASEBOOK, "over <diastolic>", "over <diastolik>", ["events.blood_pressure", "<diastolik>"],
            id="a slot with a typing mistake",
        ),
        pytest.param(
            PHRASEBOOK, 'unit = "atm"', 'unit = "bar"', ["slots.pressure", "'bar'", "atm"],
            id="a unit that is unknown",
        ),
        pytest.param(
            PHRASEBOOK, 'field = "pressure_atm"', 'field = "pressure_bar"', ["slots.pressure", "pressure_bar", "'atm'"],
            id="a field that does not end in its unit",
        ),
        pytest.param(
            PHRASEBOOK, "time out [done | complete | held]", "time out [done | complete | held",
            ["events.time_out", "']' is missing"],
            id="a bracket without its partner",
        ),
        pytest.param(
            PHRASEBOOK, "(deployed | deploy)", "deployed | deploy)", ["events.deployment", "')' has no partner"],
            id="a bracket too many",
        ),
        pytest.param(
            PHRASEBOOK, "time out [done | complete | held]", "time out [done | | held]",
            ["events.time_out", "a word or <name> is missing"],
            id="an empty alternative",
        ),
        pytest.param(
            PHRASEBOOK, '"disregard [that | last | last entry]"', '"[disregard]"', ["dialogue.disregard", "no word"],
            id="a family that is said without a word",
        ),
        pytest.param(
            PHRASEBOOK, 'scoring = ["scoring balloon"]', 'scored = ["scoring balloon"]',
            ["slots.balloon.names.scored", "catalogue"],
            id="a type that the catalogue does not have",
        ),
        pytest.param(
            PHRASEBOOK, 'pigtail = ["pigtail"]', "", ["slots.curve.values", "'pigtail'"],
            id="a curve that nobody can say",
        ),
        pytest.param(
            PHRASEBOOK, "[slots.pressure]\n", "[slots.pressure]\nfro = 1\n", ["slots.pressure", "fro"],
            id="a key that is unknown",
        ),
        pytest.param(
            PHRASEBOOK, 'millilitres = "(millilitres |', 'millilitres = "(<millilitres> |',
            ["rules.millilitres", "itself"],
            id="a rule that refers to itself",
        ),
        pytest.param(
            PHRASEBOOK, 'unsaid = ["two oh", ', 'unsaid = ["twenty", "two oh", ', ["slots.pressure.unsaid", "20"],
            id="a number that nobody can say",
        ),
        pytest.param(
            PHRASEBOOK, 'name = "english"', 'name = "english', ["TOML", "line"],
            id="not TOML",
        ),
        pytest.param(
            PHRASEBOOK, "[back.deflation]", "[back.deflations]", ["back", "deflation"],
            id="an entry that cannot be said back",
        ),
        pytest.param(
            PHRASEBOOK, "[dialogue.say_again]", "[dialogue.repeat]", ["dialogue", "say_again"],
            id="a word of the dialogue that is missing",
        ),
        pytest.param(
            PHRASEBOOK, "nothing_said =", "nothing_sayed =", ["replies", "nothing_said"],
            id="a reply that is missing",
        ),
        pytest.param(
            PHRASEBOOK, 'lists = "Lists"', 'list = "Lists"', ["card", "lists"],
            id="a heading of the card that is missing",
        ),
        pytest.param(
            PHRASEBOOK, 'tens = ["twenty", ', "tens = [", ["numbers.tens"],
            id="a number word that is missing",
        ),
        pytest.param(
            PHRASEBOOK, "[questions.what_is_in]", "[questions.what_is_inn]", ["questions", "what_is_in"],
            id="a question under another name",
        ),
        pytest.param(
            PHRASEBOOK, "[fragments.side_fragment]", "[fragments.flow]", ["flow", "two families"],
            id="one name for two families",
        ),
        pytest.param(
            CATALOGUE, 'device = "burr"', 'device = "bur"', ["stock", "device"],
            id="a device that does not exist",
        ),
        pytest.param(
            CATALOGUE, "diameters_mm = [1.25, 1.5, 1.75, 2.0, 2.25]", 'diameters_mm = ["small"]',
            ["stock", "diameters_mm"],
            id="a size that is no number",
        ),
        pytest.param(
            FORMULARY, 'say = ["bivalirudin"]', 'say = ["bivalirudin", "heparin"]',
            ["'heparin'", "heparin and bivalirudin"],
            id="one word for two drugs",
        ),
        pytest.param(
            FORMULARY, 'unit = "U/kg/h"', 'unit = "IU/kg/h"', ["drug.0.rate", "IU/kg/h"],
            id="a unit of a drug that is unknown",
        ),
        pytest.param(
            FORMULARY, "from = 500\nto = 15000", "from = 15000\nto = 500", ["drug.0.dose.0", "'to'"],
            id="a range that ends before it begins",
        ),
        pytest.param(
            PRONUNCIATIONS, "\nabciximab ", "\nabciximab 5", ["line", "abciximab", "phones"],
            id="a pronunciation that is none",
        ),
    ],
)  # fmt: skip
def test_one_sentence_names_file_and_key(
    folder: Path, file: str, right: str, wrong: str, named: list[str]
) -> None:
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert right in text, "the file has changed: this test needs another place to break it"
    path.write_text(text.replace(right, wrong, 1), encoding="utf-8")
    message = refusal(folder)
    assert str(folder / file) in message
    for part in named:
        assert part in message, message


@pytest.mark.parametrize("file", [PHRASEBOOK, CATALOGUE, FORMULARY, PRONUNCIATIONS])
def test_a_missing_file_is_named(folder: Path, file: str) -> None:
    (folder / file).unlink()
    message = refusal(folder)
    assert str(folder / file) in message and "cannot be read" in message


@pytest.mark.parametrize("file", [PHRASEBOOK, CATALOGUE, FORMULARY, PRONUNCIATIONS])
def test_a_file_that_is_not_utf_8_is_named(folder: Path, file: str) -> None:
    (folder / file).write_bytes(b"# caf\xe9\n" + (folder / file).read_bytes())
    message = refusal(folder)
    assert str(folder / file) in message and "UTF-8" in message


def test_a_folder_in_place_of_a_file_is_named(folder: Path) -> None:
    (folder / CATALOGUE).unlink()
    (folder / CATALOGUE).mkdir()
    assert str(folder / CATALOGUE) in refusal(folder)


def test_an_unknown_family_is_named_with_those_that_there_are() -> None:
    with pytest.raises(UserError, match=r"no family 'ballon' in .*english\.toml; there are .*balloon"):
        english.book().family_node("ballon")
