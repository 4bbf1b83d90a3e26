"""`checkback card`, as a process of its own once."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

import english
from card_room import deck
from checkback.commands.card import card
from checkback.commands.common import SettingsFile
from checkback.errors import UserError
from command_line import checkback, here

TROUBLE = """guide jr4 6 french
workhorse wire in
stent 3.0 by 18
stent off its balloon
snare in
v fib
shock 200
compressions on
epinephrine 1 mg
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("cards")
    done = checkback("listen", "--typed", "--case", "lost", cwd=place, given=TROUBLE)
    assert done.code == 0, done.err
    return place


def test_a_card_is_shown_with_caution_source_and_note(folder: Path) -> None:
    done = checkback("card", "stent lost", cwd=folder)
    assert done.code == 0 and not done.err
    assert "not signed by this laboratory" in done.out
    assert "caution: With the wire gone" in done.out
    assert done.out.count("check against local protocol") >= 15


def test_the_case_marks_its_lines(folder: Path) -> None:
    done = here("card", "stent_lost", "--case", "lost", "--json", cwd=folder)
    shown = json.loads(done.out)
    marks = {line["line"]: line for line in shown["lines"]}
    assert marks["snare"]["mark"] == "tried" and len(marks["snare"]["shown_by"]) == 1
    assert marks["twirl"]["mark"] == "not tried"
    assert (shown["state"], shown["next"]) == ("offered", "keep_wire")
    assert shown["clock"] is None and all(line["source"] for line in shown["lines"])


def test_the_clock_of_the_arrest_runs_by_the_regime_that_is_set(folder: Path) -> None:
    done = here("card", "cardiac_arrest", "--case", "lost", "--json", cwd=folder)
    clock = json.loads(done.out)["clock"]
    assert len(clock["shocks"]) == len(clock["epinephrine"]) == 1
    assert "2020" in clock["next"][0]["source"] or "2020" in clock["due"][0]["source"]
    other = here(
        "card", "cardiac_arrest", "--case", "lost", cwd=folder, settings='[guiding]\nregime = "erc_2021"\n'
    )
    assert "2021" in other.out and "arrest since" in other.out
    with pytest.raises(UserError, match="set one of aha_2020, erc_2021"):
        deck().regime("ours")


def test_the_list_tells_what_offers_itself(folder: Path) -> None:
    notes = "09:00,stent 3.0 by 18\n09:01,stent off its balloon\n09:02,v fib\n"
    (folder / "notes.csv").write_text(notes)
    done = here("import", "notes.csv", "--case", "by-hand", "--date", "2026-03-02", cwd=folder)
    assert done.code == 0, done.err
    rows = json.loads(here("card", "--list", "--case", "by-hand", "--json", cwd=folder).out)
    assert len(rows) == 12
    assert {row["name"] for row in rows if row["offered"]} == {"stent_lost", "cardiac_arrest"}
    # what was offered in the room is not offered again
    rows = json.loads(here("card", "--list", "--case", "lost", "--json", cwd=folder).out)
    assert not any(row["offered"] for row in rows)


def test_the_chart_is_written(folder: Path) -> None:
    done = here("card", "perforation", "--svg", "chart.svg", cwd=folder)
    assert (done.code, done.out) == (0, "chart.svg: written\n")
    assert ElementTree.parse(folder / "chart.svg").getroot().tag.endswith("svg")


def test_check_names_every_mistake(folder: Path) -> None:
    grammars = folder / "grammars"
    shutil.copytree(english.GRAMMARS, grammars)
    for name, old, new in (
        ("air", 'next = "oxygen"', 'next = "oxigen"'),
        ("thrombus", 'kind = "act"', 'kind = "axt"'),
    ):
        path = grammars / "cards" / f"{name}.toml"
        path.write_text(path.read_text().replace(old, new, 1))
    done = here("card", "--check", cwd=folder, settings='[language]\nfolder = "grammars"\n')
    assert (done.code, done.out) == (2, "")
    lines = [line for line in done.err.splitlines() if line]
    assert any("air.toml: line" in line and "no line 'oxigen'" in line for line in lines)
    assert any("thrombus.toml: line" in line and "no condition over 'axt'" in line for line in lines)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["lost keys"], "there is no card 'lost keys': name one of access_bleeding"),
        (["air", "--at", "2026-03-02T08:00:00+01:00"], "--at needs a case"),
        (["--list", "--svg", "x.svg"], "--svg draws one card"),
        (["air", "--svg", "gone/chart.svg"], "cannot be written"),
        (["air", "--case", "nowhere"], "nowhere"),
    ],
)
def test_a_mistake_is_one_sentence(words: list[str], said: str) -> None:
    done = CliRunner().invoke(card, words, obj=SettingsFile(None))
    assert isinstance(done.exception, UserError)
    assert said in str(done.exception) and "\n" not in str(done.exception)
    assert done.output == ""


def test_the_cards_that_ship_are_sound() -> None:
    done = CliRunner().invoke(card, ["--check"], obj=SettingsFile(None))
    assert done.exit_code == 0 and "12 cards and 2 regimes, no mistake" in done.output
