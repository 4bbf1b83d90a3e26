"""A case written by hand, or exported, as CSV: rows become entries.

Two shapes are read.  In "time, words" the words are read as typed call-outs; a heading is not
needed.  With a heading and a column `kind`, the other columns are fields by the names that they
have in `entries.csv`; such a table may also have words in the rows that have no kind.  The table
that Checkback writes can be read back.  docs/exports.md describes both.

A row is taken whole or not at all, and a row that has two readings is not taken: nobody is there to
be asked.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

from pydantic import ValidationError

from checkback.errors import UserError
from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.language.reading import Reader, Reading
from checkback.language.udi import ScanReader
from checkback.record.case import Case
from checkback.record.entry import BODY, ClockStep, Device, Dictation, Entry, Moment
from checkback.reporting.tables import CLASSES, COLUMNS, column_name, kind_of, unguarded

_CLASS_OF = {kind_of(cls): cls for cls in CLASSES}
_ABOUT_THE_ROW = frozenset(("n", "at", "kind", "standing", "amends", "words", "question"))
_NOT_NEEDED = frozenset(
    ("said", "recorded", "session", "amended_by", "source", "recogniser", "score", "summary")
)
_KNOWN = frozenset(column.name for column in COLUMNS) | {"time"}

_MIDNIGHT_S = 12 * 3600
"""A time of day that is earlier than the one above by more than this is of the next day."""

SHOWN = 10
"""So many bad rows are named in one message."""


@dataclass(frozen=True)
class BadRow:
    """A row that cannot be taken: its line in the file, and why."""

    line: int
    why: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.why}"


@dataclass(frozen=True)
class Written:
    """What a file held.

    Attributes
    ----------
    entries : tuple of Entry
        Numbered from 1, of session 1, source "import".
    bad : tuple of BadRow
        Rows that are not among them.
    """

    entries: tuple[Entry, ...]
    bad: tuple[BadRow, ...]


class _BadRowError(Exception):
    pass


def read_table(
    text: str, book: Phrasebook, *, day: date | None = None, zone: tzinfo | None = None, now: datetime
) -> Written:
    """Read a table.

    Parameters
    ----------
    text : str
        The file, decoded.
    book : Phrasebook
        Words are read by it, as what is typed.
    day : date or None
        Day of the first time that is a time of day only.
    zone : tzinfo or None
        Offset for times that tell none; None: as on this computer at that time.
    now : datetime
        When the rows are taken into the record, with an offset.

    Raises
    ------
    UserError
        If it is no table, has no rows, or has a heading that no entry has.
    """
    rows = list(_rows(text))
    if not rows:
        raise UserError("the file has no rows: write lines like 12:30,heparin 5000 units")
    heading = [name.strip().lower() for name in rows[0][1]]
    if {"time", "at"} & set(heading):
        _check_heading(heading)
        rows = rows[1:]
    else:
        heading = []
    return _Table(book, heading, _Times(day, zone), now).read(rows)


def _rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows that are not empty with the line on which each begins."""
    text = text.removeprefix("\ufeff")
    first = text.lstrip().partition("\n")[0]
    reader = csv.reader(
        io.StringIO(text, newline=""),
        strict=True,
        delimiter=";" if ";" in first and "," not in first else ",",
    )
    begins = 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                yield begins, row
            begins = reader.line_num + 1
    except csv.Error as error:
        raise UserError(
            f"line {begins}: not CSV ({error}); put text with commas or quotes into quotes"
        ) from None


def _check_heading(heading: Sequence[str]) -> None:
    for name in heading:
        if name not in _KNOWN:
            raise UserError(
                f"line 1: no entry has a column '{name}'; use the names of entries.csv, or time,words"
            )
        if heading.count(name) > 1:
            raise UserError(f"line 1: the column '{name}' stands there twice")
    if {"time", "at"} <= set(heading):
        raise UserError("line 1: there are columns time and at; keep one")
    if not {"words", "kind"} & set(heading):
        raise UserError("line 1: there is neither a column words nor a column kind")


@dataclass
class _Times:
    """Reads the cells of times; a time of day counts from the one above."""

    day: date | None
    zone: tzinfo | None
    before: datetime | None = None

    def read(self, cell: str) -> datetime:
        cell = cell.strip()
        if not cell:
            raise _BadRowError("there is no time")
        if re.fullmatch(r"\d{1,2}:\d\d(:\d\d(\.\d{1,6})?)?", cell):
            return self._of_day(cell)
        try:
            wall = self._placed(datetime.fromisoformat(cell))
            wall.astimezone(UTC)
        except (ValueError, OverflowError):
            raise _BadRowError(f"'{cell}' is no time: write 12:30 or 2026-03-02T12:30+01:00") from None
        self.day, self.before = wall.date(), wall.replace(tzinfo=None)
        return wall

    def _of_day(self, cell: str) -> datetime:
        if self.day is None:
            raise _BadRowError(f"'{cell}' tells no day: give --date, or write 2026-03-02T{cell.zfill(5)}")
        try:
            clock = time.fromisoformat(cell if cell[1] != ":" else f"0{cell}")
        except ValueError:
            raise _BadRowError(f"'{cell}' is no time of day") from None
        local = datetime.combine(self.day, clock)
        if self.before is not None and (self.before - local).total_seconds() > _MIDNIGHT_S:
            local += timedelta(days=1)
        self.day, self.before = local.date(), local
        return self._placed(local)

    def _placed(self, wall: datetime) -> datetime:
        if wall.tzinfo is not None:
            return wall
        return wall.astimezone() if self.zone is None else wall.replace(tzinfo=self.zone)


@dataclass(frozen=True)
class _Meant:
    """What a row means."""

    body: Any
    at: datetime
    words: str = ""
    amends: int | None = None
    question: str | None = None


@dataclass
class _Table:
    book: Phrasebook
    heading: Sequence[str]
    times: _Times
    now: datetime
    entries: list[Entry] = field(default_factory=list)
    bad: list[BadRow] = field(default_factory=list)
    case: Case = field(default_factory=Case)
    clock_set_by_s: float = 0.0
    numbers: dict[int, int] = field(default_factory=dict)
    """The number in this record of an entry that had another one in the table."""

    def __post_init__(self) -> None:
        self.phrasing = Phrasing(self.book)
        self.typed = Reader(self.book, typed=True)
        self.scans = ScanReader(self.book)

    def read(self, rows: Sequence[tuple[int, list[str]]]) -> Written:
        for line, cells in rows:
            try:
                old, meant = self._row(cells)
                if old in self.numbers:
                    raise _BadRowError(f"n = {old} was there before")
            except _BadRowError as error:
                self.bad.append(BadRow(line, str(error)))
                continue
            entry = self._entry(meant)
            self.entries.append(entry)
            self.case.apply(entry)
            if old is not None:
                self.numbers[old] = entry.n
        return Written(tuple(self.entries), tuple(self.bad))

    def _row(self, cells: Sequence[str]) -> tuple[int | None, _Meant]:
        if not self.heading:
            return None, self._of_words(",".join(cells[1:]), self.times.read(cells[0]))
        if any(cell.strip() for cell in cells[len(self.heading) :]):
            raise _BadRowError("there are more cells than headings; put text with commas into quotes")
        row = dict(zip(self.heading, cells, strict=False))
        at = self.times.read(row.pop("time", row.pop("at", "")))
        fields = {
            name: cell
            for name, cell in row.items()
            if cell != "" and name not in _NOT_NEEDED | _ABOUT_THE_ROW
        }
        kind, words = row.get("kind", "").strip(), unguarded(row.get("words", ""))
        if not kind:
            if fields:
                raise _BadRowError(
                    f"there is no kind, but {next(iter(fields))}: give the kind, or words alone"
                )
            meant = self._of_words(words, at)
        else:
            meant = self._of_fields(kind, fields, row, at, words)
        return self._number("n", row), meant

    def _number(self, name: str, row: Mapping[str, str]) -> int | None:
        cell = row.get(name, "").strip()
        if not cell:
            return None
        if not re.fullmatch(r"[0-9]{1,9}", cell) or int(cell) < 1:
            raise _BadRowError(f"{name}: '{cell}' is no number of an entry")
        return int(cell)

    def _earlier(self, name: str, row: Mapping[str, str]) -> int | None:
        """Return the entry that a cell points at, by its number in this record."""
        old = self._number(name, row)
        if old is None:
            return None
        if "n" not in self.heading:
            raise _BadRowError(f"{name}: the table has no column n that it could point at")
        if old not in self.numbers:
            raise _BadRowError(f"{name}: no row above has n = {old}")
        return self.numbers[old]

    # --- by fields ------------------------------------------------------------------------------

    def _of_fields(
        self, kind: str, cells: Mapping[str, str], row: Mapping[str, str], at: datetime, words: str
    ) -> _Meant:
        cls = _CLASS_OF.get(kind)
        if cls is None:
            raise _BadRowError(f"'{kind}' is no kind of entry; see checkback schema")
        names = {column_name(cls, name): name for name in cls.model_fields if name != "kind"}
        values: dict[str, Any] = {"kind": kind}
        for name, cell in cells.items():
            if name not in names:
                raise _BadRowError(f"{name} does not belong to {kind}")
            values[names[name]] = unguarded(cell)
        if cls is Dictation:
            # a note has no text yet when it begins, nor where only its sound was kept
            values.setdefault("text", "")
        if "target" in values:
            values["target"] = self._earlier("target", cells)
        try:
            body = BODY.validate_python(values)
        except ValidationError as error:
            first = error.errors(include_url=False, include_context=False, include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"][1:]) or kind
            raise _BadRowError(f"{where}: {first['msg'][:1].lower()}{first['msg'][1:]}") from None
        questioned = row.get("standing", "").strip() == "questioned"
        question = unguarded(row.get("question", "")) if questioned else None
        return _Meant(body, at, words, self._earlier("amends", row), question)

    # --- by words -------------------------------------------------------------------------------

    def _of_words(self, words: str, at: datetime) -> _Meant:
        words = words.strip()
        if not words:
            raise _BadRowError("there are no words")
        try:
            readings = self.scans.read(words) or self.typed.read(words)
        except UserError as error:
            raise _BadRowError(str(error)) from None
        if not readings:
            raise _BadRowError(f"'{words}' is not understood; see checkback phrasebook card")
        distinct = {self.phrasing.written(r.body): r for r in readings if _is_an_entry(r)}
        if len(distinct) < len(readings):
            if not distinct:
                raise _BadRowError(f"'{words}' is no entry of its own: write what happened")
            if len(distinct) == 1 and not all(map(_is_an_entry, readings)):
                raise _BadRowError(f"'{words}' can be taken in more ways than one: give kind and fields")
        if len(distinct) > 1:
            ways = " or ".join(f"'{way}'" for way in distinct)
            raise _BadRowError(f"'{words}' can be taken for {ways}: give kind and fields")
        (reading,) = distinct.values()
        if reading.clock is not None:
            raise _BadRowError(f"'{words}' tells a second time: leave it to the column")
        at -= timedelta(seconds=reading.ago_s or 0)
        return _Meant(reading.body, at, words, question=self._objection(reading.body))

    def _objection(self, body: Any) -> str | None:
        """Return the question that the program would have asked in the room, or None."""
        if isinstance(body, Device) and body.stocked is False:
            key, device = "unlisted", ""
        elif (found := self.case.objection(body)) is not None:
            key, device = found
        else:
            return None
        return self.phrasing.reply(key, entry=self.phrasing.spoken(body), device=device)

    # --- entries --------------------------------------------------------------------------------

    def _entry(self, meant: _Meant) -> Entry:
        began = self.entries[0].at.wall if self.entries else meant.at
        if isinstance(meant.body, ClockStep):
            self.clock_set_by_s += meant.body.step_s
        at = _moment(meant.at, began, self.clock_set_by_s)
        return Entry(
            n=len(self.entries) + 1,
            session=1,
            at=at,
            said=at,
            recorded=_moment(self.now, began, self.clock_set_by_s),
            source="import",
            words=meant.words,
            standing="stands" if meant.question is None else "questioned",
            question=meant.question,
            amends=meant.amends,
            body=meant.body,
        )


def _moment(wall: datetime, began: datetime, clock_set_by_s: float) -> Moment:
    """Return a moment on a clock that read nought at the first entry and was never set."""
    wall = wall.replace(microsecond=wall.microsecond // 1000 * 1000)
    return Moment(wall=wall, monotonic_s=round((wall - began).total_seconds() - clock_set_by_s, 3))


def _is_an_entry(reading: Reading) -> bool:
    return reading.role == "event" and not reading.correction
