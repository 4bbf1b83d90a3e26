"""What is wrong with a settings file, in plain words: one sentence for each mistake, and all of them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from checkback.errors import UserError
from checkback.language.catalogue import line_of_key

FORMS: Mapping[str, str] = {
    "language.phrasebook": "is to be the name of a phrasebook: letters, digits and _, a letter first",
    "hearing.attention_word": "is to be one or more words in small letters, without digits or signs",
    "display.token": "is to be 12 to 200 letters, digits or signs, without spaces",
    "display.address": "is to be an address such as https://wall.example:8443, without anything behind it",
    "guiding.regime": "is to be a name from resuscitation.toml: small letters, digits and _, a letter first",
}
"""How what has a form of its own is to be written."""

_PLAIN: Mapping[str, str] = {
    "extra_forbidden": "there is no such key, look for a typing error",
    "path_type": 'is to be a path in quotes, such as "cases"',
    "string_type": "is to be a text in quotes",
    "dict_type": "is to be a table",
    "model_type": "is to be a group with keys of its own",
    "model_attributes_type": "is to be a group with keys of its own",
}


def refused(path: Path, text: str, error: ValidationError) -> UserError:
    """Return the error for settings that were refused: file, and for each mistake line, key and what is right.

    Parameters
    ----------
    path : Path
    text : str
        Of the file.
    error : ValidationError
    """
    told: dict[str, tuple[int, str]] = {}
    for each in error.errors():
        key = _key(each)
        line = line_of_key(text, key)
        where = "" if line is None else f"line {line}: "
        told.setdefault(key, (line or 0, f"{where}key {key}: {_sentence(each)}"))
    them = "that key" if len(told) == 1 else "these keys"
    mistakes = "; ".join(sentence for _, sentence in sorted(told.values()))
    return UserError(f"{path}: {mistakes}; mend {them}")


def _key(each: ErrorDetails) -> str:
    # behind the name of a pedal's key stands which of two forms was tried
    depth = 3 if each["loc"][:2] == ("pedals", "keys") else len(each["loc"])
    return ".".join(str(part) for part in each["loc"][:depth])


def _sentence(each: ErrorDetails) -> str:
    kind, given = each["type"], each["input"]
    limits: dict[str, Any] = each.get("ctx", {})
    key = _key(each)
    if key.startswith("pedals.keys.") and kind in ("string_type", "dict_type"):
        return 'is to be an action, such as "talk", or a table of actions by hold, tap, double and long'
    if kind in _PLAIN:
        return _PLAIN[kind]
    if kind == "value_error":
        return each["msg"].removeprefix("Value error, ")
    if kind == "literal_error":
        return f"is to be {limits['expected']}, not {_shown(given)}"
    if kind == "string_pattern_mismatch":
        return FORMS.get(key, "is not written in the form that it needs")
    if kind == "string_too_short":
        return "is empty: give it a text, or leave the key out"
    bounds = {"greater_than_equal": ("ge", "at least"), "less_than_equal": ("le", "at most")}
    if kind in bounds:
        limit, words = bounds[kind]
        return f"is to be {words} {limits[limit]:g}, not {_shown(given)}"
    for start, words in (("bool", "true or false"), ("int", "a whole number"), ("float", "a number")):
        if kind.startswith(start):
            return f"is to be {words}, not {_shown(given)}"
    return f"{each['msg'][0].lower()}{each['msg'][1:]}"


def _shown(given: Any) -> str:
    if isinstance(given, str):
        return f"'{given}'"
    # 0 and 1 are equal to them
    return str(given).lower() if isinstance(given, bool) else f"{given}"
