"""What the tests of the papers share: figures computed from a case, and the numbers that a text names."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal
from functools import cache

from checkback.record.case import Case
from checkback.record.entry import Entry
from checkback.reporting.computed import Computed
from checkback.watching.limits import Limits
from checkback.watching.limits import load as load_limits
from checkback.watching.status import status
from english import GRAMMARS, book

_NUMBER = re.compile(r"\d+(?:\.\d+)?")


@cache
def limits() -> Limits:
    return load_limits(GRAMMARS)


def computed(case: Case) -> Computed:
    """Return the figures of a case as of its last entry, as `checkback report` has them."""
    from checkback.paperwork import figures

    if not case.entries:
        return Computed()
    last = case.entries[-1]
    state = status(case, limits(), book().catalogue, last.recorded, last.session)
    return Computed(tuple(figures(state)), "Check against local protocol.")


def numbers_in(text: str) -> set[Decimal]:
    return {Decimal(each) for each in _NUMBER.findall(text)}


def numbers_behind(case: Case, cites: Iterable[int]) -> set[Decimal]:
    """Return every number that the cited entries hold, with sums and counts of what they hold."""
    entries: list[Entry] = [entry for n in cites if (entry := case.entry(n)) is not None]
    found: set[Decimal] = set()
    sums: dict[str, Decimal] = {}
    for entry in entries:
        found |= numbers_in(entry.body.model_dump_json()) | numbers_in(f"{entry.at.wall:%H %M %S %Y %m %d}")
        for field, value in dict(entry.body).items():
            if isinstance(value, Decimal):
                sums[field] = sums.get(field, Decimal(0)) + value
                found.add(value)
                found.add(sums[field])
    # "2 balloons", "run 4 times": never more than there are entries that say so
    return found | {Decimal(i) for i in range(1, len(entries) + 1)}
