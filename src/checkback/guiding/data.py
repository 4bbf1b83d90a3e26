"""What every data file of this room has: strict fields, and sources with how they are known."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

NOTE = "check against local protocol"
"""Stands beside every line that is shown."""

Known = Literal[
    "found",
    "found in a secondary copy",
    "from memory",
    "common practice, no source",
    "setting of this program",
]


class Data(BaseModel):
    """Base of the files' types: immutable, and no key that the type does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def _plain_number(value: Any) -> Any:
    # a quoted number or a true/false would otherwise be converted without a word
    if isinstance(value, (str, bool)):
        raise ValueError(f"{value!r} is not a number")
    return value


Number = Annotated[Decimal, BeforeValidator(_plain_number), Field(ge=0)]
Positive = Annotated[Decimal, BeforeValidator(_plain_number), Field(gt=0)]
Count = Annotated[int, BeforeValidator(_plain_number), Field(ge=1)]


class Source(Data):
    """Where a line comes from, and how that is known."""

    text: str = Field(min_length=1)
    dated: str = Field(pattern=r"^(undated|\d{4}(-\d{2}){0,2})$")
    known: Known

    @property
    def cited(self) -> str:
        """The source in words; one with no source says so."""
        return self.text if self.known in ("found", self.text) else f"{self.text} ({self.known})"


class Fault(Exception):  # noqa: N818 - it is no failure of the program but of the data
    """One mistake of a data file.

    Parameters
    ----------
    key : str
        Dotted key that is wrong.
    message : str
        What is wrong and what to do.
    """

    def __init__(self, key: str, message: str) -> None:
        super().__init__(f"{key}: {message}")
        self.key = key
        self.message = message


def source_faults(sources: dict[str, Source], used: dict[str, tuple[str, ...]]) -> Iterator[Fault]:
    """Yield what is wrong between the sources of a file and the lines that name them.

    Parameters
    ----------
    sources : dict of str to Source
    used : dict of str to tuple of str
        The key of each list of sources, with what it names.
    """
    for where, names in used.items():
        for name in names:
            if name not in sources:
                yield Fault(where, f"there is no source '{name}'; add [sources.{name}], or mend the name")
    cited = {name for names in used.values() for name in names}
    for name in sources:
        if name not in cited:
            yield Fault(f"sources.{name}", "no line names this source; remove it, or name it")
