"""From the lines of older journals to entries of today: one pure step a version.

A step takes the fields of one line of its version, without `prev` and `hash`, and returns those of
the next version; it may read nothing else.  Journals are read through the whole chain of steps, so
an old case can be shown, reported and continued as it is, and its bytes are never touched.  A step
is never changed once a journal was written with the version that it leads to.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from checkback.record.entry import SCHEMA_VERSION

Fields = dict[str, Any]
Step = Callable[[Fields], Fields]


def _from_1(fields: Fields) -> Fields:
    """Version 2 knows more kinds of entry, more fields, and the source "import"; no field of 1 changed."""
    return fields


STEPS: Mapping[int, Step] = {1: _from_1}
"""The step that leads from each older version to the one after it."""


def migrate(
    fields: Mapping[str, Any], *, steps: Mapping[int, Step] = STEPS, to: int = SCHEMA_VERSION
) -> Fields:
    """Return the fields of a line as version `to` would have written them; `fields` is not changed.

    Parameters
    ----------
    fields : mapping
        Of a line of any version that is not newer than `to`; a line that tells no version, or none
        that is known, comes back as it is, for the entry's own type to judge.
    steps : mapping
        The step from each version to the next.
    to : int
        The version wanted.
    """
    result: Fields = _copy(dict(fields))
    version = result.get("schema_version")
    while isinstance(version, int) and version < to and version in steps:
        result = steps[version](result)
        version += 1
        result["schema_version"] = version
    return result


def _copy(value: Any) -> Any:
    """Copy what JSON can hold; much faster than `copy.deepcopy`."""
    if isinstance(value, dict):
        return {key: _copy(item) for key, item in value.items()}
    return [_copy(item) for item in value] if isinstance(value, list) else value
