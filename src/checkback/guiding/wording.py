"""Conditions in words, for the page of the cards and for review."""

from __future__ import annotations

from checkback.guiding.conditions import Condition, Fields

_KINDS = {
    "device": "went in",
    "device_event": "happened",
    "drug": "drug",
    "infusion": "infusion",
    "act": "clotting time",
}


def in_words(condition: Condition) -> str:
    """Return a condition as a short phrase."""
    if condition.all_of:
        return " and ".join(_inner(part) for part in condition.all_of)
    if condition.any_of:
        return "; or ".join(_inner(part) for part in condition.any_of)
    if condition.none_of is not None:
        return f"no {_inner(condition.none_of)}"
    assert condition.kind is not None
    said = [_KINDS.get(condition.kind, condition.kind.replace("_", " ")), *_fields(condition)]
    if condition.device is not None:
        said.append(f"of a {' '.join(_fields(condition.device))}")
    if condition.inside:
        said.append("that is in")
    if condition.count > 1:
        said.append(f"{condition.count} times")
    if condition.since_event:
        said.append("since it began")
    if condition.within_min is not None:
        said.append(f"in the last {condition.within_min} min")
    return " ".join(said)


def _inner(condition: Condition) -> str:
    text = in_words(condition)
    return f"({text})" if condition.all_of else text


def _fields(fields: Fields) -> list[str]:
    said = []
    for name, wanted in fields.equal.items():
        options = wanted if isinstance(wanted, tuple) else (wanted,)
        if wanted is True:
            said.append(name)
        else:
            said.append(" or ".join(str(option) for option in options))
    said += [f"{_name(name)} at least {low}" for name, low in fields.at_least.items()]
    said += [f"{_name(name)} at most {high}" for name, high in fields.at_most.items()]
    return said


def _name(field: str) -> str:
    name, _, unit = field.rpartition("_")
    return f"{name.replace('_', ' ')} ({unit})" if name else field
