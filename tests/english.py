"""The English phrasebook that ships with the program, and random sentences of it."""

from __future__ import annotations

import random
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from checkback.language.expression import Table, Word, walk
from checkback.language.phrasebook import Phrasebook, Sample
from checkback.language.reading import Reader, Reading
from checkback.language.wordgraph import WordGraph, word_graph

GRAMMARS = Path(__file__).parent.parent / "grammars"

FRONT = {"ago_min", "ago_s", "hour", "minute", "clock_field"}
"""What tells a time, in front of a call-out or behind it, and is no part of the reading's fields."""


@cache
def book() -> Phrasebook:
    return Phrasebook.load(GRAMMARS)


@cache
def reader() -> Reader:
    return Reader(book())


@cache
def typed_reader() -> Reader:
    return Reader(book(), typed=True)


@cache
def graph() -> WordGraph:
    return word_graph(book().spoken)


@cache
def vocabulary() -> tuple[str, ...]:
    words: set[str] = set()
    for node in walk(book().spoken):
        if isinstance(node, Word):
            words.add(node.text)
        elif isinstance(node, Table):
            words.update(word for form in node.by_form for word in form)
    return tuple(sorted(words))


FAMILIES = tuple((role, name) for role, name, _ in book().families())
EVENTS = tuple(name for role, name in FAMILIES if role == "event")


def samples(count: int, seed: int) -> list[Sample]:
    rng = random.Random(seed)
    return [book().sample(rng) for _ in range(count)]


def spoilt(sentence: str, rng: random.Random) -> str:
    """Return the sentence with one word left out, put in, exchanged with its neighbour or replaced."""
    words = sentence.split()
    at = rng.randrange(len(words))
    match rng.choice(("leave out", "put in", "exchange", "replace")):
        case "leave out":
            del words[at]
        case "put in":
            words.insert(at, rng.choice(vocabulary()))
        case "exchange":
            words[at - 1], words[at] = words[at], words[at - 1]
        case "replace":
            words[at] = rng.choice(vocabulary())
    return " ".join(words)


def slots(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the slots of a sample say, without the marks of the tree and what stands in front."""
    own = {key: value for key, value in fields.items() if key[0] != "@" and key not in FRONT}
    if fields.get("@correction"):
        own.pop("target", None)
    return own


def says(reading: Reading, fields: Mapping[str, Any]) -> bool:
    """Return whether a reading is exactly what was sampled."""
    ago_s = None
    if "ago_min" in fields:
        ago_s = 60.0 * float(fields["ago_min"])
    elif "ago_s" in fields:
        ago_s = float(fields["ago_s"])
    clock = (int(fields["hour"]), int(fields["minute"])) if "hour" in fields else None
    corrects = bool(fields.get("@correction", False))
    target = int(fields["target"]) if corrects and "target" in fields else None
    return (
        reading.family == fields["@family"]
        and reading.role == fields["@role"]
        and dict(reading.fields) == slots(fields)
        and (reading.ago_s, reading.clock) == (ago_s, clock)
        and (reading.correction, reading.target) == (corrects, target)
    )
