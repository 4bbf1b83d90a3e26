"""The published schema, judged by an independent validator."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from jsonschema import Draft202012Validator
from pydantic import BaseModel

from checkback.record.entry import SCHEMA_VERSION, Entry
from checkback.record.journal import START, journal_schema, line_of
from invented_case import CASE
from strategies import BODY_CLASSES, entries

SCHEMA = journal_schema()
VALIDATOR = Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)


def written(entry: Entry) -> dict[str, Any]:
    line: dict[str, Any] = json.loads(line_of(entry, START)[0])
    return line


def test_the_schema_is_one_itself() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert SCHEMA["title"] == "A line of a Checkback journal"
    assert {"prev", "hash", "n", "body", "schema_version"} <= set(SCHEMA["required"])
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA


def test_an_invented_case_is_valid() -> None:
    for entry in CASE:
        VALIDATOR.validate(written(entry))


def mutations(line: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield lines that nobody may take for a journal's, and what was done to them."""

    def changed(path: tuple[Any, ...], value: Any) -> dict[str, Any]:
        twin = copy.deepcopy(line)
        place = twin
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = value
        return twin

    yield "an unknown field", changed(("colour",), "red")
    yield "an unknown field in the body", changed(("body", "colour"), "red")
    yield "an unknown kind", changed(("body", "kind"), "rumour")
    yield "no kind", changed(("body",), {k: v for k, v in line["body"].items() if k != "kind"})
    yield "a newer version", changed(("schema_version",), SCHEMA_VERSION + 1)
    yield "no number", {k: v for k, v in line.items() if k != "n"}
    yield "number zero", changed(("n",), 0)
    yield "a time without a clock", changed(("at",), {"wall": line["at"]["wall"]})
    yield "a time in words", changed(("said", "wall"), 1_700_000_000)
    yield "another source", changed(("source",), "rumour")
    yield "another standing", changed(("standing",), "amended")
    yield "a short hash", changed(("hash",), line["hash"][:-1])
    yield "a hash in capitals", changed(("prev",), "A" * 64)
    for name, value in line["body"].items():
        if name != "kind":
            yield f"a list as {name}", changed(("body", name), [value])
            if isinstance(value, int | float) and not isinstance(value, bool):
                yield f"{name} as text", changed(("body", name), str(value))


@pytest.mark.parametrize("cls", BODY_CLASSES, ids=lambda cls: cls.__name__)
def test_every_class_of_entry_is_valid_and_its_mutations_are_not(cls: type[BaseModel]) -> None:
    @settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(entries(cls))
    def judge(entry: Entry) -> None:
        line = written(entry)
        VALIDATOR.validate(line)
        for name, mutant in mutations(line):
            assert not VALIDATOR.is_valid(mutant), name

    judge()
