"""Which keys and gestures the settings may bind, and what is refused, by the name of the key."""

from __future__ import annotations

from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import bindings_of, canonical, in_words
from checkback.hearing.pedals.events import ACTIONS, MEANING
from checkback.settings import Settings, load


def test_an_action_alone_is_hold_for_talk_and_tap_for_every_other() -> None:
    assert bindings_of({"F6": "talk", "key_f7": "affirm"}) == {
        "f6": {"hold": "talk"},
        "f7": {"tap": "affirm"},
    }
    assert set(MEANING) == set(ACTIONS)


def test_one_key_may_do_several_things() -> None:
    bound = bindings_of({"b": {"hold": "talk", "double": "mark"}, "c": {"tap": "affirm", "long": "clock"}})
    assert in_words(bound) == "b hold: talk, b double tap: mark, c tap: affirm, c long press: clock"


@pytest.mark.parametrize(
    ("name", "one"),
    [
        ("KEY_PAGEDOWN", "page_down"),
        ("ctrl_l", "ctrl"),
        ("KEY_LEFTCTRL", "ctrl"),
        ("KEY_B", "b"),
        ("KEY_DOT", "."),
    ],
)
def test_a_key_has_one_name(name: str, one: str) -> None:
    assert canonical(name) == canonical(one) == one


@pytest.mark.parametrize(
    ("keys", "complaint"),
    [
        ('f6 = "talk"\nF6 = "mark"', r'"F6" is there twice'),
        ('page_down = "mark"\nkey_pagedown = "mark"', r'"key_pagedown" is there twice, as "page_down" too'),
        ('f6 = "sing"', r'"f6": There is no pedal action "sing": use talk, .* or card'),
        ('f6 = {twice = "mark"}', r'"f6": There is no gesture "twice": use hold, tap, double or long'),
        ('f6 = {tap = "talk"}', r'"f6": talk cannot be bound to tap'),
        ('f6 = {hold = "mark"}', r'"f6": mark cannot be bound to hold'),
        ('f6 = {hold = "talk", long = "mark"}', r'"f6": Hold and long cannot be on one key'),
        ("f6 = {}", r'"f6": It does nothing'),
        ("f6 = 6", r"pedals\.keys\.f6"),
    ],
)
def test_settings_that_do_not_go_together_are_refused(tmp_path: Path, keys: str, complaint: str) -> None:
    file = tmp_path / "settings.toml"
    file.write_text(f"[pedals.keys]\n{keys}\n")
    with pytest.raises(UserError, match=rf"settings\.toml.*pedals\.keys.*{complaint}|{complaint}"):
        load(file)


def test_a_key_and_a_gesture_given_twice_is_no_toml(tmp_path: Path) -> None:
    file = tmp_path / "settings.toml"
    file.write_text('[pedals.keys]\nf6 = {tap = "mark", tap = "affirm"}\n')
    with pytest.raises(UserError, match="not valid TOML"):
        load(file)


def test_old_settings_and_none_work() -> None:
    old = Settings.model_validate({"pedals": {"use": True, "keys": {"f6": "talk", "f9": "mark"}}})
    assert old.pedals.bindings == {"f6": {"hold": "talk"}, "f9": {"tap": "mark"}}
    assert list(Settings().pedals.bindings) == ["f6", "f7", "f8", "f9"]
