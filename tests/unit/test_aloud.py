"""How much of a check-back is heard: never less than what can harm if it was misheard."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime
from decimal import Decimal
from io import StringIO
from pathlib import Path

import pytest

from checkback.aloud import Verbosity
from checkback.errors import UserError
from checkback.language.phrasebook import KINDS, Phrasebook, must_be_heard
from checkback.language.phrasing import Phrasing
from checkback.loop import Loop
from checkback.record.clock import HandClock
from checkback.record.entry import Deployment, Device, Drug, Inflation
from checkback.record.journal import Journal
from checkback.speaking.voice import Tone, Urgency
from checkback.speaking.voices import TextVoice
from checkback.watching.limits import load as load_limits
from english import GRAMMARS
from english import book as english_book

LIMITS = load_limits(GRAMMARS)
FIELD = re.compile(r"\{(\w+)\}")


@pytest.fixture
def book() -> Phrasebook:
    return english_book()


class Heard(TextVoice):
    """Notes tones as "<tone>" before the words."""

    def __init__(self) -> None:
        super().__init__(StringIO())
        self.heard: list[str] = []

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        self.heard.append(" ".join(part for part in (f"<{tone}>" if tone else "", text) if part))


def room(book: Phrasebook, folder: Path, verbosity: Verbosity) -> tuple[Loop, Heard]:
    voice = Heard()
    loop = Loop(
        book,
        Journal.open(folder),
        HandClock(datetime(2026, 3, 2, 12, 0, tzinfo=UTC)),
        voice,
        limits=LIMITS,
        recogniser="none",
        program_version="0",
        verbosity=verbosity,
    )
    return loop, voice


LINES = (
    "wire down",
    "balloon 2.5 x 12, 14 atm",
    "heparin 5000 units",
    "balloon 3.0 x 28",
    "xyzzy",
    "last act",
)


def test_brief_leaves_out_words_but_no_number(book: Phrasebook) -> None:
    phrasing = Phrasing(book)
    balloon = Device(
        device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), pressure_atm=Decimal(8)
    )
    assert phrasing.spoken(balloon) == "balloon two point five by twelve, eight atmospheres"
    assert phrasing.spoken(balloon, brief=True) == "balloon two point five by twelve, eight"
    up = Inflation(pressure_atm=Decimal(8), duration_s=Decimal(20))
    # two numbers: one of them keeps its unit
    assert phrasing.spoken(up, brief=True) == "up eight, twenty seconds"
    dose = Drug(drug="heparin", dose=Decimal(5000), unit="U")
    assert phrasing.spoken(dose, brief=True) == phrasing.spoken(dose), "a dose is always said in full"


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_no_brief_check_back_lacks_what_must_be_heard(book: Phrasebook, kind: str) -> None:
    back = book.file.back[kind]
    brief = back.spoken if back.brief is None else back.brief
    lacking = (set(FIELD.findall(back.spoken)) & must_be_heard(kind)) - set(FIELD.findall(brief))
    assert not lacking


def test_what_must_be_heard_is_found_from_the_entries_themselves() -> None:
    assert must_be_heard("drug") == {"drug", "dose", "unit", "route"}
    assert {"diameter_mm", "length_mm", "pressure_atm", "french", "lesion", "device"} <= must_be_heard(
        "device"
    )
    assert {"pressure_atm", "duration_s"} <= must_be_heard("inflation")


def test_a_phrasebook_whose_brief_check_back_swallows_a_dose_is_refused(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(GRAMMARS, tmp_path / "grammars"))
    file = folder / "english.toml"
    text = file.read_text()
    spoken = 'spoken = "{drug}, {dose} {unit}[, {route}]"\n'
    assert spoken in text
    file.write_text(text.replace(spoken, spoken + 'brief = "{drug}"\n'))
    with pytest.raises(
        UserError, match=r"\[back.drug\] brief leaves out dose, route, unit, which must be heard"
    ):
        Phrasebook.load(folder, "english")


def test_full_brief_and_tones(book: Phrasebook, tmp_path: Path) -> None:
    heard: dict[str, list[str]] = {}
    for verbosity in ("full", "brief", "tones"):
        loop, voice = room(book, tmp_path / verbosity, verbosity)
        replies = [loop.typed(line).reply for line in LINES]
        assert all(replies), "the screen has all of it, whatever is heard"
        heard[verbosity] = voice.heard
    assert heard["full"][1] == "balloon two point five by twelve, one four, fourteen atmospheres"
    assert heard["brief"][1] == "balloon two point five by twelve, one four, fourteen"
    # a dose, a question and an answer that was asked for are words in any case
    assert heard["tones"][1] == "<accepted>"
    assert heard["tones"][2] == heard["full"][2] == "heparin, five thousand units"
    assert heard["tones"][3].startswith("<asked> not in stock: balloon three by twenty eight")
    assert heard["tones"][4] == "<not_heard>"
    assert heard["tones"][5] == heard["full"][5] == "no a c t yet"


def test_a_deployment_is_read_back_also_where_tones_are_wanted(book: Phrasebook, tmp_path: Path) -> None:
    loop, voice = room(book, tmp_path / "case", "tones")
    loop.typed("stent 3.0 x 18")
    outcome = loop.typed("deployed 14 atm")
    assert isinstance(outcome.entries[0].body, Deployment)
    assert voice.heard[-1] == "deployed one four, fourteen"


def test_grammars_of_the_house_have_brief_check_backs() -> None:
    text = (GRAMMARS / "english.toml").read_text()
    assert text.count("\nbrief = ") >= 10
