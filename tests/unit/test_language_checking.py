"""What `checkback phrasebook check` tells an author: two readings, words that sound alike, the line."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.hearing.pronunciations import pronunciations_of
from checkback.language.catalogue import line_of_key
from checkback.language.checking import ambiguities, korean_phones, near_sounding, not_said_digit_by_digit
from checkback.language.phrasebook import Phrasebook
from checkback.language.wordgraph import word_graph

GRAMMARS = Path(__file__).parents[2] / "grammars"


def changed(folder: Path, old: str, new: str) -> Phrasebook:
    """Load the phrasebook with one piece of its text replaced."""
    grammars = Path(shutil.copytree(GRAMMARS, folder / "grammars", dirs_exist_ok=True))
    path = grammars / "english.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return Phrasebook.load(grammars)


def test_the_only_call_out_with_two_readings_is_contrast_with_neither_given_nor_total() -> None:
    found = ambiguities(Phrasebook.load(GRAMMARS))
    assert [each.families for each in found] == [("contrast_given", "contrast_total")]
    assert found[0].sentence.startswith("contrast ")


def test_two_events_that_share_a_sentence_are_named(tmp_path: Path) -> None:
    book = changed(tmp_path, 'say = ["heart rate <rate>"]', 'say = ["heart rate <rate>", "burr run"]')
    with pytest.raises(UserError, match=r"english\.toml: line \d+: key events\.heart_rate\.say: no entry"):
        ambiguities(book)
    book = changed(tmp_path, 'say = ["crown run"]', 'say = ["crown run", "burr run"]')
    assert ("burr_run", "crown_run") in [each.families for each in ambiguities(book)]


def test_dialogue_that_means_something_else_too_is_refused(tmp_path: Path) -> None:
    book = changed(tmp_path, 'say = ["noted"]', 'say = ["noted", "affirm"]')
    with pytest.raises(UserError, match="'affirm' means affirm and noted"):
        ambiguities(book)


def test_words_one_phone_apart_in_the_same_place_are_named() -> None:
    book = Phrasebook.load(GRAMMARS)
    graph = word_graph(book.spoken)
    words = {word for arcs in graph.arcs for word in arcs}
    pairs = near_sounding(graph, pronunciations_of(words, book.pronunciations))
    assert {("fifteen", "fifty"), ("forty", "fourteen"), ("eighteen", "eighty")} <= set(pairs)
    assert ("balloon", "stent") not in pairs
    assert not_said_digit_by_digit(book, pairs) == []


def test_korean_words_that_sound_alike_are_named(tmp_path: Path) -> None:
    """On and off of the voice were heard as one another by a recogniser as long as they were said so."""
    shutil.copytree(GRAMMARS, tmp_path, dirs_exist_ok=True)
    file = tmp_path / "korean.toml"
    text = file.read_text(encoding="utf-8")
    assert text.count('say = ["음소거"]') == 1
    text = text.replace('say = ["음소거"]', 'say = ["음성 끄기"]')
    file.write_text(text, encoding="utf-8")
    for folder, alike in ((tmp_path, True), (GRAMMARS, False)):
        graph = word_graph(Phrasebook.load(folder, "korean").spoken)
        pairs = near_sounding(graph, korean_phones({word for arcs in graph.arcs for word in arcs}))
        assert (("끄기", "켜기") in pairs) == alike
        assert ("켜기", "음소거") not in pairs and ("음성", "음소거") not in pairs


def test_numbers_that_are_not_said_back_digit_by_digit_are_named(tmp_path: Path) -> None:
    book = changed(tmp_path, "confusable = [13, 14, 15,", "confusable = [13, 14,")
    assert not_said_digit_by_digit(book, [("fifteen", "fifty"), ("forty", "fourteen")]) == [
        ("fifteen", "fifty")
    ]


@pytest.mark.parametrize(
    ("key", "line"),
    [
        ("a.b.say", 3),
        ("a.b.other", 2),
        ("list.1.say", 7),
        ("list.1.dose.0.unit", 9),
        ("nowhere", None),
        ("a.x y.k", 11),
    ],
)
def test_the_line_of_a_key(key: str, line: int | None) -> None:
    text = (
        "# a comment\n[a.b]\nsay = 1\n[[list]]\nsay = 2\n[[list]]\nsay = 3\n[[list.dose]]\nunit = 4\n"
        '[a."x y"]\nk = 5\n'
    )
    assert line_of_key(text, key) == line
