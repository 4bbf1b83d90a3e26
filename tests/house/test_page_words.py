"""Every word of the pages is data of the language: none is written in page or script."""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.language.page_words import KEYS
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.showing.feed import Feed
from checkback.showing.pages import _PAGES, Pages, Words, _asset

GRAMMARS = Path(__file__).parents[2] / "grammars"
BOOKS = sorted(path.stem for path in GRAMMARS.glob("*.pronunciations"))

SCRIPTS = ("common.js", "wall.js", "desk.js", "enter.js")

AFTER = {
    "closure": {"english": "band", "korean": "지혈대"},
    "act": {"english": "280", "korean": "280"},
    "flow": {"english": "3", "korean": "3"},
    "contrast": {"english": "120", "korean": "120"},
    "fluoroscopy": {"english": "12", "korean": "12 분"},
    "air_kerma": {"english": "900", "korean": "900"},
    "dose_area": {"english": "60", "korean": "60"},
    **{key: {"english": "12:30"} for key in ("symptom_onset", "first_contact", "arrival")},
}
"""What somebody types behind a beginning."""


@cache
def book(name: str) -> Phrasebook:
    return Phrasebook.load(GRAMMARS, name)


@pytest.mark.parametrize("name", BOOKS)
def test_pages_use_words_that_are_there_and_every_word_is_used(name: str) -> None:
    """What the loader asks for is what pages and scripts name, no more and no less."""
    sources = {each: _asset(each) for each in (*SCRIPTS, "frame.html", *_PAGES.values())}
    everything = "\n".join(sources.values())
    named = set(re.findall(r"words\.([a-z]+)\.([a-z_]+)", everything))
    there = {(group, key) for group, words in book(name).file.pages.items() for key in words}
    assert named <= there
    # groups that are looked up by a key that comes with the board, or in Python
    by_key = set(re.findall(r"words\.([a-z]+)\[", everything)) | {"note"}
    in_python = {
        ("say", "no_limit"),
        ("say", "no_device"),
        ("say", "times"),
        ("say", "near"),
        ("say", "reached"),
    }
    assert {(group, key) for group, key in there if group not in by_key | {"say"}} <= named
    assert {(group, key) for group, key in there if group == "say"} <= named | in_python


@pytest.mark.parametrize("name", [each for each in BOOKS if each != "english"])
def test_the_words_of_another_language_are_its_own(name: str) -> None:
    own, english = book(name).file.pages, book("english").file.pages
    same = {
        f"{group}.{key}"
        for group, keys in KEYS.items()
        for key in keys
        if own[group][key] == english[group][key] and re.search("[A-Za-z]{2}", own[group][key])
    }
    # the name of the program, a mere blank, an abbreviation of the trade, and what is typed with it
    assert same <= {"page.title", "limit.heparin", "total.act", "due.act_due", "begin.act", "begin.flow"}


class _Text(HTMLParser):
    """Collects what a reader of a page sees or is read."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []

    def handle_data(self, data: str) -> None:
        self.seen.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen += [
            v or "" for k, v in attrs if k in ("aria-label", "placeholder", "title", "alt", "value")
        ]


def test_no_page_has_a_word_of_its_own() -> None:
    """Each word is replaced by a number, and nothing but numbers and signs is left."""
    numbered = {group: dict.fromkeys(keys, "1") for group, keys in KEYS.items()}
    for html in Pages(Feed(), Words("x", numbered, []), None)._pages.values():
        text = _Text()
        text.feed(html.decode())
        assert re.findall("[A-Za-z]+", " ".join(text.seen)) == []


def test_no_script_has_a_word_of_its_own() -> None:
    """Each text in a script is a name of an element, a kind, an event, a sign or a unit; none is a sentence."""
    for name in SCRIPTS:
        script = re.sub(r"^\s*//.*$", "", _asset(name), flags=re.M)
        put = re.findall(
            r"(?:put|putBig|make|button)\((?:[^()\"`]|\([^()]*\))*?[,(]\s*[\"`]([^\"`]*)[\"`]", script
        )
        put += re.findall(r"textContent = [\"`]([^\"`]*)[\"`]", script)
        plain = [re.sub(r"\$\{[^}]*\}", "", each) for each in put]
        # the first text of make is the kind of an element
        assert {word for each in plain for word in re.findall("[A-Za-z]+", each)} <= {
            *(
                "p",
                "b",
                "div",
                "em",
                "li",
                "span",
                "small",
                "time",
                "h",
                "button",
                "line",
                "case",
                "notice",
                "sent",
                "clock",
            ),
            *(
                "state",
                "word",
                "hint",
                "up",
                "all",
                "heard",
                "result",
                "words",
                "age",
                "card",
                "title",
                "caution",
                "source",
            ),
            *("sources", "svg", "rect", "due"),
        }, name
        literals = re.findall(r"[\"`]([^\"`\n]*)[\"`]", script)
        sentences = [
            each for each in literals if re.match(r"[A-Z][a-z]+ [a-z]|[A-Za-z]{3,} [a-z]{3,} [a-z]{2,}", each)
        ]
        assert sentences == [], name


@pytest.mark.parametrize("name", BOOKS)
def test_the_page_names_its_language(name: str) -> None:
    file = book(name).file
    for html in Pages(Feed(), Words(file.language, file.pages, []), None)._pages.values():
        assert f'<html lang="{file.language}">' in html.decode()


@pytest.mark.parametrize("name", BOOKS)
def test_what_a_button_types_is_understood(name: str) -> None:
    read_by = Reader(book(name), typed=True)
    pages = book(name).file.pages
    said = pages["dialogue"]
    fragment = {"english": "16 atm", "korean": "16 기압"}[name]

    def families(words: str) -> set[str]:
        return {reading.family for reading in read_by.read(words)}

    assert families(said["disregard"].format(n=12)) == {"disregard"}
    assert families(said["option"].format(n=2)) == {"choose"}
    assert families(said["affirm"]) == {"affirm"} and families(said["negative"]) == {"negative"}
    assert families(said["correct"].format(n=12) + fragment)
    assert families(pages["say"]["example"]) == {"drug"}
    for key, beginning in pages["begin"].items():
        if beginning:
            assert families(beginning + AFTER.get(key, {}).get(name, "")), (key, beginning)


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ('lost = "NO CONNECTION"\n', "", ["pages.state", "lacks lost"]),
        ('ago = "{time} ago"', 'ago = "ago"', ["pages.say", "ago needs {time} once"]),
        ('deaf = "NOT HEARING"', 'deaf = " "', ["pages.state", "deaf is empty"]),
        (
            'recorded = "On record"',
            'recorded = "On record"\nheard = "x"',
            ["pages.result", "heard", "no page shows"],
        ),
    ],
)
def test_a_word_that_lacks_is_named(tmp_path: Path, right: str, wrong: str, told: list[str]) -> None:
    for file in ("english.toml", "english.pronunciations", "catalogue.toml", "formulary.toml"):
        text = (GRAMMARS / file).read_text(encoding="utf-8")
        if file == "english.toml":
            assert text.count(right) == 1
            text = text.replace(right, wrong)
        (tmp_path / file).write_text(text, encoding="utf-8")
    with pytest.raises(UserError) as caught:
        Phrasebook.load(tmp_path, "english")
    message = str(caught.value)
    assert "\n" not in message and all(each in message for each in told), message
