"""Every mistake in the settings is told in plain words, whatever the key."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from checkback.errors import UserError
from checkback.settings import Settings, load
from checkback.settings_faults import FORMS

# words of the checking library and of regular expressions
FOREIGN = re.compile(
    r"[Ii]nput should|[Ss]tring should|valid (?:integer|string|path)|pathlib|\\\\p|\\^|pydantic|Value error"
)

WRONG: tuple[str, ...] = (
    "true",
    "[1, 2]",
    "-99999",
    '""',
    '"Wrong form §"',
    "{ a = 1 }",
    "1.5",
    "2026-03-02",
)


def keys() -> list[str]:
    """Return every key of the settings, with its group."""
    found = []
    for name, field in Settings.model_fields.items():
        kind: Any = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            found += [f"{name}.{inner}" for inner in kind.model_fields]
        else:
            found.append(name)
    return found


@pytest.mark.parametrize("key", keys())
def test_whatever_stands_at_a_key_is_taken_or_told_in_plain_words(tmp_path: Path, key: str) -> None:
    path = tmp_path / "settings.toml"
    group, _, name = key.rpartition(".")
    refused = 0
    for wrong in WRONG:
        path.write_text(
            f"[{group}]\n{name} = {wrong}\n" if group else f"{name} = {wrong}\n", encoding="utf-8"
        )
        try:
            load(path)
        except UserError as error:
            refused += 1
            said = str(error)
            assert f"line {2 if group else 1}: key {key}" in said, said
            assert "\n" not in said and not FOREIGN.search(said), said
            assert said.endswith("mend that key")
    assert refused >= 3


def test_each_key_that_has_a_form_is_told_how_it_is_to_be() -> None:
    formed = set()
    for name, field in Settings.model_fields.items():
        kind: Any = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            schema = kind.model_json_schema()["properties"]
            formed |= {f"{name}.{key}" for key, told in schema.items() if "pattern" in str(told)}
    assert formed == FORMS.keys()


def test_all_mistakes_are_told_in_the_order_of_the_lines(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(
        'cases = 5\n[pedals.keys]\nf6 = { long = "talk" }\nf7 = "jump"\n[display]\ntoken = "short"\nport = "x"\n',
        encoding="utf-8",
    )
    with pytest.raises(UserError) as caught:
        load(path)
    said = str(caught.value)
    assert [int(n) for n in re.findall(r"line (\d+)", said)] == [1, 2, 6, 7]
    assert "talk cannot be bound to long" in said and '"f7"' in said


def test_a_number_is_shown_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    # 0 and 1 are equal to false and true
    path.write_text("[speaking]\nrate_wpm = 0\n", encoding="utf-8")
    with pytest.raises(UserError, match="not 0; mend that key"):
        load(path)
