"""Hypothesis strategies for the record's types, derived from the types themselves.

A new class of body needs no edit here: its fields are read from the class.
"""

from __future__ import annotations

import types
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Le
from hypothesis import reject
from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy
from pydantic import AwareDatetime, BaseModel, ValidationError

from checkback.record.entry import Alternative, Body, Entry, Moment

BODY_CLASSES: tuple[type[BaseModel], ...] = get_args(get_args(Body)[0])

# What pydantic takes as a string and UTF-8 can hold: everything but halves of surrogate pairs.
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)

# Spoken quantities have at most three places; as JSON numbers these come back exactly.
quantities = st.decimals(min_value=0, max_value=100_000, places=3) | st.integers(0, 100_000).map(Decimal)

offsets = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))

wall_times = st.datetimes(
    min_value=datetime(2000, 1, 1), max_value=datetime(2100, 1, 1), timezones=offsets | st.just(UTC)
)


def values(annotation: Any, constraints: tuple[Any, ...] = ()) -> SearchStrategy[Any]:
    """Return a strategy for everything that a field annotated so accepts."""
    if annotation is Any:
        raise TypeError("a field of the record has no type")
    if annotation is AwareDatetime:
        return wall_times
    if annotation == Entry.model_fields["body"].annotation:
        return bodies()
    origin = get_origin(annotation)
    if origin is Annotated:
        inner, *more = get_args(annotation)
        return values(inner, (*constraints, *more))
    if origin in (Union, types.UnionType):
        return st.one_of([values(part, constraints) for part in get_args(annotation)])
    if origin is Literal:
        return st.sampled_from(get_args(annotation))
    if origin is tuple:
        inner, dots = get_args(annotation)
        assert dots is Ellipsis
        return st.lists(values(inner), max_size=3).map(tuple)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return models(annotation)
    least: Any = next((c.ge for c in constraints if isinstance(c, Ge)), None)
    most: Any = next((c.le for c in constraints if isinstance(c, Le)), None)
    plain: dict[Any, Callable[[], SearchStrategy[Any]]] = {
        str: lambda: _texts(constraints),
        bool: st.booleans,
        int: lambda: st.integers(least, most),
        float: lambda: st.floats(least, most, allow_nan=False, allow_infinity=False),
        Decimal: lambda: quantities if least is None else st.decimals(least, most, places=3),
        datetime: lambda: wall_times,
        type(None): st.none,
    }
    if annotation not in plain:
        raise TypeError(f"no strategy for {annotation}: add one to tests/strategies.py")
    return plain[annotation]()


def _texts(constraints: tuple[Any, ...]) -> SearchStrategy[str]:
    pattern: str | None = next((c.pattern for c in constraints if getattr(c, "pattern", None)), None)
    if pattern is not None:
        return st.from_regex(pattern, fullmatch=True)
    shortest = next((c.min_length for c in constraints if getattr(c, "min_length", None)), 0)
    return texts if not shortest else texts.map(lambda text: text.ljust(shortest, "x"))


def models(cls: type[BaseModel], **fixed: SearchStrategy[Any]) -> SearchStrategy[Any]:
    """Return a strategy for instances of `cls`, with some fields drawn as told."""
    fields = {
        name: fixed[name] if name in fixed else values(field.annotation, tuple(field.metadata))
        for name, field in cls.model_fields.items()
    }

    def build(**drawn: Any) -> BaseModel:
        try:
            return cls(**drawn)
        except ValidationError:  # fields that exclude one another
            reject()

    return st.builds(build, **fields)


@cache
def bodies(cls: type[BaseModel] | None = None) -> SearchStrategy[Any]:
    """Return a strategy for bodies, of one class or of any."""
    return models(cls) if cls is not None else st.one_of([models(each) for each in BODY_CLASSES])


moments: SearchStrategy[Moment] = models(Moment)
alternatives: SearchStrategy[Alternative] = models(Alternative)


@cache
def entries(cls: type[BaseModel] | None = None, n: int = 1) -> SearchStrategy[Entry]:
    """Return a strategy for entry number `n`, with a body of one class or of any."""
    return models(
        Entry,
        schema_version=st.just(Entry.model_fields["schema_version"].default),
        n=st.just(n),
        session=st.integers(1, 99),
        amends=st.none() | st.integers(1, n - 1) if n > 1 else st.none(),
        body=bodies(cls),
    )


@st.composite
def cases(draw: st.DrawFn, max_size: int = 12) -> list[Entry]:
    """Draw the entries of a case: numbered from 1, of any class, amendments pointing backwards."""
    drawn = draw(st.lists(entries(), max_size=max_size))
    amended = [draw(st.none() | st.integers(1, n)) for n in range(1, len(drawn))]
    return [
        each.model_copy(update={"n": n, "amends": target})
        for n, (each, target) in enumerate(zip(drawn, [None, *amended], strict=False), start=1)
    ]
