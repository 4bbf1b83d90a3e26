"""What the laboratory stocks and which drugs it can be heard to give: data files, checked."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any, TypeVar
from unicodedata import normalize

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from checkback.errors import UserError
from checkback.record.entry import DeviceClass, Route

UNITS: dict[str, str] = {
    "atm": "atm", "mm": "mm", "Fr": "french", "s": "s", "min": "min", "mL": "ml", "J": "j", "%": "percent",
    "mmHg": "mmhg", "mGy": "mgy", "Gy.cm2": "gy_cm2", "/min": "per_min",
}  # fmt: skip
"""Units of numeric slots, with the ending that the field of such a slot has."""

DRUG_UNITS = frozenset(
    "U kU U/kg U/h U/kg/h U/min mg ug g mg/kg ug/kg mL mL/h mmol mg/h mg/min mg/kg/h ug/min ug/h "
    "ug/kg/min ug/kg/h mg/kg/min L L/min meq meq/h ng/kg/min mL/kg g/h mmol/h".split()
)

Model = TypeVar("Model", bound=BaseModel)


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class NumberRange(_Data):
    """Some numbers: a list, or from-to in steps."""

    values: tuple[Decimal, ...] | None = None
    lowest: Decimal | None = Field(default=None, alias="from")
    highest: Decimal | None = Field(default=None, alias="to")
    step: Decimal | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _one_of_both(self) -> NumberRange:
        if (self.values is None) == (self.lowest is None):
            raise ValueError("give either 'values' or 'from', 'to' and 'step'")
        if self.values is None and (
            self.highest is None or self.lowest is None or self.highest < self.lowest
        ):
            raise ValueError("'to' must be there and not below 'from'")
        if self.values is not None and not self.values:
            raise ValueError("'values' is empty")
        return self

    def numbers(self) -> tuple[Decimal, ...]:
        """Return the numbers in ascending order."""
        if self.values is not None:
            return tuple(sorted(set(self.values)))
        assert self.lowest is not None and self.highest is not None
        step = self.step or Decimal(1)
        return tuple(self.lowest + i * step for i in range(int((self.highest - self.lowest) / step) + 1))


class Stock(_Data):
    """One generic item on the shelf, in all its sizes."""

    device: DeviceClass
    type: str | None = None
    item: str
    plain: bool = Field(
        default=False,
        description="Taken to be meant, for ratings, where only the device is named without its type.",
    )
    diameters_mm: tuple[Decimal, ...] = ()
    lengths_mm: tuple[Decimal, ...] = ()
    missing: tuple[tuple[Decimal, Decimal], ...] = Field(default=(), alias="except")
    french: tuple[Decimal, ...] = ()
    curves: tuple[str, ...] = ()
    nominal_atm: Decimal | None = None
    rated_burst_atm: Decimal | None = None
    compliance_percent: tuple[tuple[Decimal, Decimal], ...] = ()

    def sizes(self) -> frozenset[tuple[Decimal, Decimal]]:
        """Return the stocked pairs of diameter and length, mm."""
        return frozenset(
            (d, n) for d in self.diameters_mm for n in self.lengths_mm if (d, n) not in set(self.missing)
        )


class Catalogue(_Data):
    """The shelf."""

    note: str
    stock: tuple[Stock, ...] = Field(min_length=1)

    def of(self, device: str, kind: str | None = None) -> tuple[Stock, ...]:
        """Return the items of a device class, of one generic type if `kind` is given."""
        return tuple(s for s in self.stock if s.device == device and (kind is None or kind == s.type))

    def stocked(self, device: str, kind: str | None, diameter_mm: Decimal, length_mm: Decimal) -> bool:
        """Return whether a size stands on the shelf."""
        return any((diameter_mm, length_mm) in s.sizes() for s in self.of(device, kind))


class Amount(NumberRange):
    """Doses or rates of one unit that can be heard."""

    unit: str
    say_unit: tuple[str, ...] = Field(min_length=1)
    unit_optional: bool = False

    @model_validator(mode="after")
    def _unit_is_known(self) -> Amount:
        if self.unit not in DRUG_UNITS:
            raise ValueError(f"unit '{self.unit}' is unknown; known are {', '.join(sorted(DRUG_UNITS))}")
        return self


class DrugWords(_Data):
    """A drug: what it is called and which amounts can be heard."""

    name: str
    say: tuple[str, ...] = Field(min_length=1)
    dose: tuple[Amount, ...] = ()
    rate: tuple[Amount, ...] = ()
    routes: tuple[Route, ...] = ()
    source: str


class Formulary(_Data):
    """The drugs that can be heard; ranges bound the listening, they are no advice."""

    note: str
    drug: tuple[DrugWords, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _names_differ(self) -> Formulary:
        seen: dict[str, str] = {}
        for drug in self.drug:
            for spoken in drug.say:
                if spoken in seen:
                    raise ValueError(f"'{spoken}' names both {seen[spoken]} and {drug.name}")
                seen[spoken] = drug.name
        return self


def read_text(path: Path) -> str:
    """Read one text file; its letters are composed, as the recognisers write them.

    Raises
    ------
    UserError
        If the file cannot be read or is not UTF-8.
    """
    try:
        return normalize("NFC", path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); check the path") from None
    except UnicodeDecodeError as error:
        raise UserError(f"{path}: not UTF-8 text (byte {error.start}); save it as UTF-8") from None


def line_of_key(text: str, key: str) -> int | None:
    """Return the line of a TOML file on which a dotted key stands, or the nearest key above it.

    The items of a list of tables are counted: ``drug.3.say`` is the fourth ``[[drug]]``.
    """
    wanted = key.split(".")
    best: tuple[int, int] | None = None
    table: list[str] = []
    counts: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        if header := re.match(r"\s*(\[\[?)([^\[\]]+)\]", line):
            table = here = _place(_dotted(header[2]), header[1] == "[[", counts)
        elif assignment := re.match(r"\s*([^#=\s][^=]*?)\s*=", line):
            here = [*table, *_dotted(assignment[1])]
        else:
            continue
        depth = len(here)
        if here == wanted[:depth] and (best is None or depth > best[0]):
            best = (depth, number)
    return None if best is None else best[1]


def _place(parts: list[str], is_item: bool, counts: dict[str, int]) -> list[str]:
    """Return the key of a table, with the numbers of the list items that it is in."""
    here: list[str] = []
    for part in parts:
        here.append(part)
        name = ".".join(here)
        if is_item and part is parts[-1]:
            counts[name] = counts.get(name, -1) + 1
        if name in counts:
            here.append(str(counts[name]))
    return here


def _dotted(name: str) -> list[str]:
    return [part.strip().strip("\"'") for part in re.findall(r"\"[^\"]*\"|'[^']*'|[^.]+", name)]


def fault(path: Path, key: str, message: str) -> UserError:
    """Return the error for a key of a data file: file, line, key, what is wrong and what to do."""
    try:
        line = line_of_key(path.read_text(encoding="utf-8"), key)
    except (OSError, UnicodeDecodeError):
        line = None
    where = "" if line is None else f"line {line}: "
    return UserError(f"{path}: {where}key {key}: {message}")


def read_toml(path: Path, model: type[Model]) -> Model:
    """Read one data file and check it against its model.

    Raises
    ------
    UserError
        If the file is missing, is not TOML, or a key is wrong: the message names file and key.
    """
    return _checked(path, parse_toml(path, read_text(path)), model)


def parse_toml(path: Path, text: str) -> dict[str, Any]:
    """Return what stands in a text that was read from a TOML file.

    Raises
    ------
    UserError
        If it is not TOML.
    """
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path}: not valid TOML: {error}; mend that line") from None


def read_json(path: Path, model: type[Model]) -> Model:
    """Read one JSON file and check it against its model; errors as for `read_toml`."""
    try:
        data = json.loads(read_text(path), parse_float=Decimal)
    except json.JSONDecodeError as error:
        raise UserError(f"{path}: line {error.lineno}: not valid JSON: {error.msg}; mend that line") from None
    return _checked(path, data, model)


def _checked(path: Path, data: Any, model: type[Model]) -> Model:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        # a key that nobody knows is most often the reason why another is missing
        errors = sorted(error.errors(), key=lambda each: each["type"] != "extra_forbidden")
        first = errors[0]
        key = ".".join(str(part) for part in first["loc"]) or "the file as a whole"
        more = f" (and {error.error_count() - 1} more)" if error.error_count() > 1 else ""
        message = first["msg"].removeprefix("Value error, ")
        if first["type"] == "extra_forbidden":
            message = "there is no such key, look for a typing error"
        raise fault(path, key, f"{message}{more}; mend that key") from None


def digest(paths: Iterable[Path]) -> str:
    """Return the SHA-256 over the bytes of files, in the order given."""
    total = hashlib.sha256()
    for path in paths:
        total.update(path.read_bytes())
    return total.hexdigest()
