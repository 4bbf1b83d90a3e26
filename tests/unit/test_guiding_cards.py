"""The files of cards: what ships, what a laboratory can get wrong, and the page made from them."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

import english
from card_room import deck
from checkback.errors import UserError
from checkback.guiding import cards, equipment, regimes
from checkback.guiding import deck as decks
from checkback.guiding.data import NOTE
from checkback.guiding.page import BEGIN, FINISH, page
from checkback.language.catalogue import Formulary, read_toml

PAGE = Path(__file__).parents[2] / "docs" / "cards.md"
DRUGS = decks.drugs(english.GRAMMARS)

CARD = """
title = "Invented"
say = ["invented"]
note = "check against local protocol"
start = "first"

[signed]
name = ""
date = ""

[lines.first]
ask = "Is it so?"
yes = "second"
no = "end"
sources = ["common"]

[lines.second]
do = "Do this."
tier = 1
caution = "Beware."
needs = ["snare"]
tried_when = { kind = "drug", is = { drug = "atropine" } }
next = "end"
sources = ["common"]

[sources.common]
text = "common practice, no source"
dated = "undated"
known = "common practice, no source"
"""


def refusal(tmp_path: Path, old: str, new: str) -> str:
    """Return the sentence with which a card is refused after one change."""
    assert CARD.count(old) == 1, old
    path = tmp_path / "invented.toml"
    path.write_text(CARD.replace(old, new), encoding="utf-8")
    with pytest.raises(UserError) as caught:
        cards.read(path, equipment=deck().equipment, drugs=DRUGS)
    message = str(caught.value)
    assert "\n" not in message and "invented.toml" in message
    return message


def line_of(old: str) -> int:
    return CARD[: CARD.index(old)].count("\n") + 1


def test_the_card_of_these_tests_is_sound(tmp_path: Path) -> None:
    path = tmp_path / "invented.toml"
    path.write_text(CARD, encoding="utf-8")
    named = cards.read(path, equipment=deck().equipment, drugs=DRUGS)
    assert named.card.reached() == {"first", "second"}
    assert named.card.reached({"first": "no"}) == {"first"}


@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        ('no = "end"', 'no = "third"', "lines.first.no", "dead end: there is no line 'third'"),
        ('no = "end"\n', "", "lines.first", "dead end: it has no 'no'"),
        ('next = "end"', "", "lines.second", "dead end: it has no 'next'"),
        ('next = "end"', 'next = "first"', "lines.first", "loop: first -> second -> first"),
        ('yes = "second"', 'yes = "end"', "lines.second", "nothing leads to this line"),
        ('start = "first"', 'start = "last"', "start", "there is no line 'last'"),
        ('kind = "drug"', 'kind = "weather"', "lines.second.tried_when.kind", "no condition over 'weather'"),
        ('kind = "drug"', 'kind = "advice"', "lines.second.tried_when.kind", "no condition over 'advice'"),
        ('drug = "atropine"', 'drug = "atropin"', "lines.second.tried_when.is.drug", "not in the formulary"),
        ('drug = "atropine"', 'dosis = 3', "lines.second.tried_when.is.dosis", "have no field 'dosis'"),
        ('drug = "atropine"', 'route = "by post"', "lines.second.tried_when.is.route", "'by post' is nothing"),
        (
            'is = { drug = "atropine" }', "at_least = { drug = 3 }",
            "lines.second.tried_when.at_least.drug", "is no number",
        ),
        (
            'is = { drug = "atropine" }', "at_least = { dose = \"3\" }",
            "lines.second.tried_when.at_least.dose", "is not a number",
        ),
        (
            'is = { drug = "atropine" }', 'device = { is = { device = "snare" } }',
            "lines.second.tried_when", "about no device",
        ),
        (
            '{ kind = "drug", is = { drug = "atropine" } }', '{ not = { kind = "drug" } }',
            "lines.second.tried_when", "no entry to show for it",
        ),
        (
            '{ kind = "drug", is = { drug = "atropine" } }', '{ any = [{ kind = "act" }, { not = { kind = "drug" } }] }',
            "lines.second.tried_when", "no entry to show for it",
        ),
        (
            '{ kind = "drug", is = { drug = "atropine" } }', '{ kind = "act", any = [{ kind = "drug" }] }',
            "lines.second.tried_when", "exactly one of",
        ),
        (
            '{ kind = "drug", is = { drug = "atropine" } }', '{ any = [{ kind = "act" }], count = 2 }',
            "lines.second.tried_when", "nothing else may stand",
        ),
        ('needs = ["snare"]', 'needs = ["rope"]', "lines.second.needs.0", "'rope' is not in equipment.toml"),
        ('caution = "Beware."\n', "", "lines.second", "add 'caution'"),
        ("tier = 1\n", "", "lines.second", "add 'tier'"),
        ("tier = 1\n", "tier = 0\n", "lines.second.tier", "greater than or equal to 1"),
        ('ask = "Is it so?"', 'ask = "Is it so?"\ndo = "Both."', "lines.first", "either 'ask' or 'do'"),
        ('ask = "Is it so?"', 'ask = "Is it so?"\ntier = 1', "lines.first", "a question has no tier"),
        ('do = "Do this."', f'do = "{"x" * 111}"', "lines.second.do", "at most 110 characters"),
        ('note = "check against local protocol"', 'note = "trust it"', "note", "check against local protocol"),
        ('name = ""', 'name = "A. B."', "signed", "both 'name' and 'date'"),
        ('name = ""\ndate = ""', 'name = "A. B."\ndate = "yesterday"', "signed", "no date like"),
        ('known = "common practice, no source"', 'known = "surely"', "sources.common.known", "from memory"),
        ('[sources.common]', "[sources.comon]", "lines.first.sources", "no source 'common'"),
        ('title = "Invented"', 'title = "Invented"\ncolour = "red"', "colour", "no such key"),
        (
            'next = "end"', 'next = "end"\nunless = [{ line = "second", answer = "yes", because = "so" }]',
            "lines.second.unless.0.line", "no question 'second'",
        ),
    ],
)  # fmt: skip
def test_a_mistake_is_named(tmp_path: Path, old: str, new: str, key: str, said: str) -> None:
    message = refusal(tmp_path, old, new)
    assert f"key {key}" in message, message
    assert said in message, message


def test_a_mistake_is_named_with_its_line(tmp_path: Path) -> None:
    message = refusal(tmp_path, 'no = "end"', 'no = "third"')
    assert f"line {line_of('no = ')}: " in message


def test_a_line_without_a_source_is_named(tmp_path: Path) -> None:
    text = CARD.replace('next = "end"\nsources = ["common"]\n', 'next = "end"\n')
    (tmp_path / "invented.toml").write_text(text, encoding="utf-8")
    with pytest.raises(UserError, match=r"key lines\.second: it names no source"):
        cards.read(tmp_path / "invented.toml", equipment=deck().equipment, drugs=DRUGS)


def test_a_question_below_the_line_cannot_rule_it_out(tmp_path: Path) -> None:
    rule = '[lines.zero]\ndo = "Before."\ntier = 1\ncaution = "So."\nnext = "first"\nsources = ["common"]\n'
    rule += 'unless = [{ line = "first", answer = "no", because = "later" }]\n\n[lines.first]'
    text = CARD.replace('start = "first"', 'start = "zero"').replace("[lines.first]", rule)
    (tmp_path / "invented.toml").write_text(text, encoding="utf-8")
    with pytest.raises(UserError, match="does not come before this line"):
        cards.read(tmp_path / "invented.toml", equipment=deck().equipment, drugs=DRUGS)


def test_every_mistake_of_a_card_is_told_at_once(tmp_path: Path) -> None:
    text = (
        CARD.replace('no = "end"', 'no = "third"')
        .replace('"atropine"', '"atropin"')
        .replace('"snare"', '"rope"')
    )
    path = tmp_path / "invented.toml"
    path.write_text(text, encoding="utf-8")
    found = cards.all_faults(path, equipment=deck().equipment, drugs=DRUGS)
    assert len(found) == 3
    with pytest.raises(UserError, match=r"\(and 2 more\)"):
        cards.read(path, equipment=deck().equipment, drugs=DRUGS)


def test_two_cards_may_not_be_asked_for_alike(tmp_path: Path) -> None:
    (tmp_path / "cards").mkdir()
    for name in ("one", "two"):
        (tmp_path / "cards" / f"{name}.toml").write_text(CARD, encoding="utf-8")
    with pytest.raises(UserError, match="'invented' also asks for the card one"):
        cards.load(tmp_path, equipment=deck().equipment, drugs=DRUGS)
    with pytest.raises(UserError, match="there is no card"):
        cards.load(tmp_path / "cards", equipment=deck().equipment, drugs=DRUGS)


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("equipment.toml", "snare = true", "snare = 1", "key available.snare"),
        ("equipment.toml", "snare = true\n", "", "'snare' is not in equipment.toml"),
        (
            "resuscitation.toml",
            "least_min = 3, most_min = 5",
            "least_min = 5, most_min = 3",
            "is below 'least_min'",
        ),
        (
            "resuscitation.toml",
            "after_shocks = [3, 5]",
            "after_shocks = [5, 3]",
            "each later than the one before",
        ),
        ("resuscitation.toml", "[sources.stack]", "[sources.stick]", "there is no source 'stack'"),
        ("resuscitation.toml", "cycle_s = 120", "cycle_s = 0", "greater than 0"),
    ],
)
def test_equipment_and_regimes_are_checked(tmp_path: Path, file: str, old: str, new: str, said: str) -> None:
    folder = tmp_path / "grammars"
    shutil.copytree(english.GRAMMARS, folder)
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(UserError, match=re.escape(said)):
        decks.load(folder)
    assert any(said in sentence for sentence in decks.faults(folder))


class TestWhatShips:
    def test_twelve_cards_with_no_mistake(self) -> None:
        assert sorted(deck().cards) == [
            "access_bleeding", "air", "allergic_reaction", "cardiac_arrest", "dissection", "entrapped_device",
            "hypotension", "no_reflow", "perforation", "stent_lost", "thrombus", "would_not_cross",
        ]  # fmt: skip
        assert decks.faults(english.GRAMMARS) == []

    def test_no_card_claims_a_signature(self) -> None:
        assert {named.card.signature for named in deck().cards.values()} == {cards.NOT_SIGNED}

    def test_every_line_shows_a_source_and_says_check(self) -> None:
        for named in deck().cards.values():
            for name in named.card.lines:
                cited = named.card.cited(name)
                assert cited.endswith(NOTE) and len(cited) > len(NOTE) + 5

    def test_what_offers_itself(self) -> None:
        offering = {name for name, named in deck().cards.items() if named.card.offer is not None}
        assert offering == {"stent_lost", "would_not_cross", "perforation", "cardiac_arrest"}

    def test_every_item_of_equipment_is_needed_by_some_line(self) -> None:
        needed = {
            item for c in deck().cards.values() for line in c.card.lines.values() for item in line.needs
        }
        lists = set(equipment.load(english.GRAMMARS).available)
        assert needed == lists

    def test_every_drug_is_known_to_the_formulary(self) -> None:
        text = "".join(path.read_text() for path in (english.GRAMMARS / "cards").glob("*.toml"))
        known = {drug.name for drug in read_toml(english.GRAMMARS / "formulary.toml", Formulary).drug}
        for match in re.findall(r"drug = \[([^\]]*)\]", text):
            assert set(re.findall(r'"([^"]+)"', match)) <= known

    def test_the_page_is_made_from_the_files(self) -> None:
        text = PAGE.read_text(encoding="utf-8")
        made = text.partition(BEGIN)[2].partition(FINISH)[0]
        assert made == page(deck()), "run python tools/write_cards_page.py docs/cards.md"
        assert set(regimes.load(english.GRAMMARS).regimes) == {"aha_2020", "erc_2021"}
