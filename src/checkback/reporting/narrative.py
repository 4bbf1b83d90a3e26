"""A first draft of the report: plain text in which every sentence names the entries it came from.

The wording is a Jinja2 template (`templates/narrative.txt.j2`).  Here is decided only what goes
into which paragraph, and that nothing is used which was withdrawn or amended.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any

import jinja2
from jinja2.runtime import Context
from jinja2.sandbox import SandboxedEnvironment

from checkback.errors import UserError
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import (
    AirKerma,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    DoseArea,
    Entry,
    Fluoroscopy,
    Frozen,
    Identity,
    Inflation,
    Moment,
    Session,
)

TEMPLATE = Path(__file__).parent / "templates" / "narrative.txt.j2"

WIDTH = 96
"""Columns of the text."""

_COURSE = {"case_start", "time_out", "case_end", "clock_step"}
_DRUGS = {"drug", "infusion", "act"}
_FINDINGS = {"stenosis", "reference", "calcium", "thrombus", "flow", "pressure_ratio"}
_DEVICES = {"device", "device_event", "inflation", "deflation", "deployment"}
_MONITORING = {
    "blood_pressure",
    "heart_rate",
    "saturation",
    "pain",
    "rhythm",
    "shock",
    "compressions",
    "circulation_returned",
}
_COMPLICATIONS = {"dissection", "perforation", "no_reflow"}
_NOTES = {"mark", "unclear"}

_TREATS = {"balloon", "stent", "burr", "crown", "laser catheter", "aspiration catheter", "coil"}
_TROUBLE = {"stuck", "ruptured", "off its balloon", "crushed"}


def narrative(case: Case, phrasing: Phrasing, *, template: Path = TEMPLATE) -> str:
    """Write the draft narrative of a case.

    Parameters
    ----------
    case : Case
        Finished or not; it may be empty.
    phrasing : Phrasing
        Writes the entries that are open, amended or withdrawn.
    template : Path
        A laboratory's own template.

    Returns
    -------
    str
        Plain text, headed as an unsigned draft.

    Raises
    ------
    UserError
        If the template cannot be used.
    """
    contents = _contents(case)
    functions = {"summary": phrasing.summary, "cite": _cite, "cite_numbers": _cite_numbers}
    try:
        page = _compiled(template.read_text(encoding="utf-8"))
        text = page.render(contents, **functions)
    except (OSError, UnicodeError, jinja2.TemplateError, TypeError, ValueError) as error:
        where = f", line {error.lineno}" if isinstance(error, jinja2.TemplateSyntaxError) else ""
        raise UserError(
            f"The template {template} of the narrative cannot be used{where} "
            f"({str(error) or type(error).__name__}): mend it, or compare it with the one that came along."
        ) from error
    return _laid_out(text)


# --- what goes into which paragraph ---------------------------------------------------------------


@dataclass(frozen=True)
class Step:
    """What happened to a device, and every time that it did so in a row."""

    body: Frozen
    times: tuple[Moment, ...]


@dataclass
class Part:
    """What happened to one device until another one was spoken of, or a finding in between.

    Attributes
    ----------
    finding : Entry or None
        The finding, if it is one.
    life : DeviceLife or None
        The device; None if no such device was introduced.
    device : str
        Its class.
    entries : list of Entry
        What happened, in order.
    """

    finding: Entry | None = None
    life: DeviceLife | None = None
    device: str = ""
    entries: list[Entry] = field(default_factory=list)

    @property
    def begins(self) -> bool:
        """Whether the device is introduced here."""
        return self.life is not None and self.entries[0] is self.life.entry

    @property
    def steps(self) -> list[Step]:
        """What happened, the same thing several times in a row taken together."""
        steps: list[Step] = []
        for entry in self.entries:
            if steps and steps[-1].body == entry.body:
                steps[-1] = Step(entry.body, (*steps[-1].times, entry.at))
            else:
                steps.append(Step(entry.body, (entry.at,)))
        return steps


@dataclass(frozen=True)
class Complication:
    """Something that went wrong, and the device that it happened to."""

    entry: Entry
    life: DeviceLife | None
    device: str


@dataclass(frozen=True)
class Implant:
    """A device that was deployed, what its label says, and the entries that say so."""

    body: Device
    identity: Identity | None
    cited: tuple[Entry, ...]


@dataclass(frozen=True)
class Identified:
    """A label that was scanned, or a lot that was typed, of what is no implant."""

    entry: Entry
    life: DeviceLife | None


@dataclass(frozen=True)
class Undone:
    """An entry that does not count any more."""

    entry: Entry
    standing: str
    by: int


def _contents(case: Case) -> dict[str, Any]:
    """Sort the entries in force into the paragraphs of the template."""
    standing = case.in_force()

    def of(kinds: set[str]) -> list[Entry]:
        return [entry for entry in standing if entry.body.kind in kinds]

    lives = {entry.n: life for life in case.devices() for entry in (life.entry, *life.happenings)}
    treating = [i for i, entry in enumerate(standing) if _treats(entry)]
    first, last = (treating[0], treating[-1]) if treating else (len(standing), len(standing))
    begun = [e for e in standing if e.body.kind != "session"]
    radiation = (case.latest(kind) for kind in (Fluoroscopy, AirKerma, DoseArea))
    return {
        "date": _first_day(case),
        "begun": bool(begun),
        "ended": bool(of({"case_end"})),
        "last": begun[-1] if begun else None,
        "course": [e for e in standing if e.body.kind in _COURSE or _restarts(e)],
        "patient": of({"patient"}),
        "access": of({"access"}),
        "drugs": of(_DRUGS),
        "findings": [e for e in standing[:first] if e.body.kind in _FINDINGS],
        "intervention": list(_parts(standing, lives, range(first, last))),
        "implants": [_implant(life) for life in case.devices() if life.deployed],
        "identified": list(_identified(of({"identity"}), lives)),
        "monitoring": of(_MONITORING),
        "complications": list(_complications(standing, lives)),
        "treated": bool(treating),
        "result": [e for e in standing[last + 1 :] if e.body.kind in _FINDINGS],
        "closure": of({"closure"}),
        "contrast": _contrast(of({"contrast"})),
        "contrast_ml": case.contrast_ml(),
        "radiation": [entry for entry in radiation if entry],
        "open": sorted([*case.questions(), *of(_NOTES)], key=lambda e: (e.at.wall, e.n)),
        "advised": of({"advice", "noted", "stand_by"}),
        "undone": list(_undone(case)),
        "missing": case.missing(),
        "unaccounted": case.unaccounted(),
    }


def _first_day(case: Case) -> date | None:
    return case.entries[0].at.wall.date() if case.entries else None


def _restarts(entry: Entry) -> bool:
    return isinstance(entry.body, Session) and entry.body.number > 1


def _treats(entry: Entry) -> bool:
    """Return whether the entry belongs to the treatment, so that findings lie before or after it."""
    body = entry.body
    if isinstance(body, Device):
        return body.device in _TREATS
    if isinstance(body, DeviceEvent):
        return body.happening == "run"
    return isinstance(body, (Inflation, Deflation, Deployment))


def _class_of(body: Any) -> str:
    """Return the class of device that a body is about, where it names or implies one."""
    if isinstance(body, (Device, DeviceEvent)):
        return body.device or "device"
    return "stent" if isinstance(body, Deployment) else "balloon"


def _parts(standing: list[Entry], lives: dict[int, DeviceLife], treatment: range) -> Iterator[Part]:
    """Yield what was done, in order, with the findings made during the treatment."""
    part = Part()
    for i, entry in enumerate(standing):
        if entry.body.kind in _FINDINGS and i in treatment:
            if part.entries:
                yield part
            yield Part(finding=entry)
            part = Part()
        elif entry.body.kind in _DEVICES:
            life = lives.get(entry.n)
            device = life.body.device if life else _class_of(entry.body)
            if part.entries and (part.life is not life or part.device != device):
                yield part
                part = Part()
            part.life, part.device = life, device
            part.entries.append(entry)
    if part.entries:
        yield part


def _complications(standing: list[Entry], lives: dict[int, DeviceLife]) -> Iterator[Complication]:
    for entry in standing:
        body = entry.body
        if isinstance(body, DeviceEvent) and body.happening in _TROUBLE:
            yield Complication(entry, lives.get(entry.n), _class_of(body))
        elif body.kind in _COMPLICATIONS:
            yield Complication(entry, None, "")


def _implant(life: DeviceLife) -> Implant:
    deployments = [
        entry
        for entry in life.happenings
        if isinstance(entry.body, Deployment) or (isinstance(entry.body, Device) and entry.body.deployed)
    ]
    labels = [entry for entry in life.happenings if isinstance(entry.body, Identity)]
    return Implant(life.body, life.identity, (life.entry, *deployments, *labels))


def _identified(labels: list[Entry], lives: dict[int, DeviceLife]) -> Iterator[Identified]:
    for entry in labels:
        life = lives.get(entry.n)
        if life is None or not life.deployed:
            yield Identified(entry, life)


def _contrast(entries: list[Entry]) -> list[Entry]:
    """Return the entries that make up the contrast volume: the last total, and what was given since."""
    totals = [i for i, e in enumerate(entries) if isinstance(e.body, Contrast) and e.body.counted == "total"]
    return entries[totals[-1] :] if totals else entries


def _undone(case: Case) -> Iterator[Undone]:
    for entry in case.entries:
        standing, by = case.standing(entry)
        if by is not None:
            yield Undone(entry, standing, by)


# --- words and layout -----------------------------------------------------------------------------


@lru_cache(maxsize=4)
def _compiled(source: str) -> jinja2.Template:
    # A template is a laboratory's file, not the program's: it gets values and no access beyond.
    environment = SandboxedEnvironment(
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_one_line,
        autoescape=False,
    )
    environment.filters |= {
        "number": _number,
        "mm": _mm,
        "clock": _clock,
        "capital": _capital,
        "article": _article,
        "listing": _listing,
    }
    return environment.from_string(source)


@jinja2.pass_context
def _clock(context: Context, moment: Moment) -> str:
    """Write a time; on another day than the case's first its date stands beside it."""
    time = f"{moment.wall:%H:%M:%S}"
    return time if moment.wall.date() == context["date"] else f"{time} on {moment.wall:%Y-%m-%d}"


def _one_line(value: Any) -> Any:
    """Fold white space, so that no recorded word can break a line."""
    if not isinstance(value, str):
        return value
    return " ".join("".join(c if c.isprintable() else " " for c in value).split())


def _number(value: Decimal) -> str:
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _mm(value: Decimal) -> str:
    """Write a diameter as the trade does: "3.0"."""
    text = _number(value)
    return text if "." in text else f"{text}.0"


def _capital(text: str) -> str:
    text = _one_line(text)
    return text[:1].upper() + text[1:]


def _article(text: str) -> str:
    """Put "a" or "an" in front, by the sound of a number or the first letter."""
    text = _one_line(text)
    an = re.match(r"[aeiou]|8|1[18](?!\d)", text, re.IGNORECASE)
    return f"{'an' if an else 'a'} {text}"


def _listing(parts: Sequence[str]) -> str:
    """Join as "a, b and c"."""
    parts = [_one_line(part) for part in parts]
    return " and ".join(filter(None, [", ".join(parts[:-1]), *parts[-1:]]))


def _cite(*entries: Entry) -> str:
    return _cite_numbers(*(entry.n for entry in entries))


def _cite_numbers(*numbers: int) -> str:
    return f"[{', '.join(str(n) for n in sorted(set(numbers)))}]"


def _laid_out(text: str) -> str:
    """Underline headings, join lines into paragraphs and fold them to `WIDTH`."""
    out: list[str] = []
    paragraph: list[str] = []
    for line in map(str.strip, [*text.splitlines(), ""]):
        mark = line[:2] if line[:2] in ("= ", "- ") else ""
        if paragraph and (mark or not line):
            out.append(_folded(" ".join(paragraph)))
            paragraph = []
        if mark == "= ":
            out += ["", line[2:], "-" * len(line[2:])]
        elif mark:
            out.append(_folded(line, hanging="  "))
        elif line:
            paragraph.append(line)
        else:
            out.append("")
    return re.sub(r"\n{3,}", "\n\n", "\n".join(out)).strip() + "\n"


def _folded(text: str, hanging: str = "") -> str:
    """Fold a paragraph, but not between a number and its unit or inside brackets."""
    text = re.sub(
        r"(?<=\d) (?=[^\W\d]|[%×])|(?<=[×]) (?=\d)|(?<=\d,) (?=\d+[,\]])", "\u00a0", " ".join(text.split())
    )
    lines = textwrap.fill(
        text, WIDTH, subsequent_indent=hanging, break_long_words=False, break_on_hyphens=False
    )
    return lines.replace("\u00a0", " ")
