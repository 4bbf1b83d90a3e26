"""Templates of prose become blocks of a document.

A template is a laboratory's file, not the program's: it runs in Jinja2's sandbox, gets values and
no access beyond, and whatever was recorded is escaped, so that no recorded word can pass for a
heading, a citation or another line.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any

import jinja2
from jinja2.runtime import Context
from jinja2.sandbox import SandboxedEnvironment
from markupsafe import Markup, escape

from checkback.errors import UserError
from checkback.record.entry import Entry, Moment
from checkback.reporting.document import Block, BulletList, DataTable, Heading, Mark, Paragraph, Run, Runs

Marks = Callable[[int], Iterable[Mark]]
"""Tells what the reader has to know of an entry."""

_TIMES = ("", "once", "twice", "three times", "four times", "five times", "six times", "seven times")


def blocks_from(
    template: Path, contents: dict[str, Any], functions: dict[str, Any], marks: Marks
) -> tuple[Block, ...]:
    """Fill a template and read the result as blocks.

    Parameters
    ----------
    template : Path
        Lines, each of one of these forms: ``= heading``, ``== heading below it``, ``- item``,
        ``! item that must not be overlooked``, ``~ small print``, ``{{ headers(...) }}``,
        ``{{ row(...) }}``, or a sentence.  Sentences up to an empty line make a paragraph.
    contents : dict
        Values that the template uses.
    functions : dict
        Functions that it calls, beside `cite`, `headers` and `row`.
    marks : callable
        See `Marks`.

    Raises
    ------
    UserError
        If the template is missing or wrong; names file and line.
    """
    try:
        page = _compiled(template.read_text(encoding="utf-8"), str(template))
        text = page.render(contents, **functions, cite=_cite, headers=_headers, row=_row)
        return tuple(_blocks(text.splitlines(), marks))
    except (OSError, UnicodeError, jinja2.TemplateError, TypeError, ValueError, ArithmeticError, LookupError, AttributeError) as error:  # fmt: skip
        line = _line_of(error, str(template))
        where = "" if line is None else f", line {line}"
        raise UserError(
            f"The template {template} of the narrative cannot be used{where} "
            f"({str(error) or type(error).__name__}): mend it, or compare it with the one that came along."
        ) from error


def _line_of(error: BaseException, template: str) -> int | None:
    if isinstance(error, jinja2.TemplateSyntaxError):
        return error.lineno
    line, trace = None, error.__traceback__
    while trace is not None:
        if trace.tb_frame.f_code.co_filename == template:
            line = trace.tb_lineno
        trace = trace.tb_next
    return line


@lru_cache(maxsize=4)
def _compiled(source: str, name: str) -> jinja2.Template:
    environment = SandboxedEnvironment(
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=one_line,
        autoescape=True,
    )
    environment.filters |= {
        "number": number,
        "mm": mm,
        "clock": _clock,
        "clock_s": _clock_s,
        "capital": _capital,
        "article": _article,
        "listing": _listing,
        "times": _times,
    }
    code = environment.compile(source, name=name, filename=name)
    return jinja2.Template.from_code(environment, code, environment.make_globals(None))


# --- words ------------------------------------------------------------------------------------------


def one_line(value: Any) -> Any:
    """Fold white space, so that no recorded word can break a line or begin a block."""
    if not isinstance(value, str):
        return value
    folded = " ".join("".join(c if c.isprintable() else " " for c in value).split())
    if isinstance(value, Markup):
        return Markup(folded)
    if folded[:1] in ("=", "-", "!", "~"):
        return Markup(f"&#{ord(folded[0])};") + folded[1:]
    return folded


def number(value: Decimal) -> str:
    """Write a number without zeros that say nothing."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def mm(value: Decimal) -> str:
    """Write a diameter as the trade does: "3.0"."""
    text = number(value)
    return text if "." in text else f"{text}.0"


@jinja2.pass_context
def _clock(context: Context, moment: Moment) -> str:
    return clock(moment, context["date"])


@jinja2.pass_context
def _clock_s(context: Context, moment: Moment) -> str:
    return clock(moment, context["date"], seconds=True)


def clock(moment: Moment, day: date | None, *, seconds: bool = False) -> str:
    """Write a time; on another day than the case's first its date stands beside it."""
    time = f"{moment.wall:%H:%M:%S}" if seconds else f"{moment.wall:%H:%M}"
    return time if moment.wall.date() == day else f"{time} on {moment.wall:%Y-%m-%d}"


def _capital(text: str) -> str:
    text = one_line(text)
    return text[:1].upper() + text[1:]


def _article(text: str) -> Markup:
    """Put "a" or "an" in front, by the sound of a number or the first letter."""
    text = one_line(text)
    an = re.match(r"[aeiou]|8|1[18](?!\d)", text, re.IGNORECASE)
    return Markup("{} {}").format("an" if an else "a", text)


def _listing(parts: Sequence[str]) -> Markup:
    """Join as "a, b and c"."""
    folded = [escape(one_line(part)) for part in parts]
    return Markup(" and ").join(filter(None, [Markup(", ").join(folded[:-1]), *folded[-1:]]))


def _times(count: int) -> str:
    """Write how often: "once", "twice", "three times"."""
    return _TIMES[count] if count < len(_TIMES) else "many times"


def _cite(*entries: Entry | int) -> Markup:
    numbers = sorted({e if isinstance(e, int) else e.n for e in entries})
    return Markup("<cite>{}</cite>").format(" ".join(map(str, numbers))) if numbers else Markup()


def _headers(*titles: str) -> Markup:
    return Markup("<headers>{}").format(Markup("<cell>").join(map(one_line, titles)))


def _row(*cells: Any) -> Markup:
    return Markup("<row>{}").format(Markup("<cell>").join(escape(one_line(str(c)) if not isinstance(c, Markup) else one_line(c)) for c in cells))  # fmt: skip


# --- lines become blocks ----------------------------------------------------------------------------


def _blocks(lines: list[str], marks: Marks) -> Iterator[Block]:
    sentences: list[Run] = []
    items: list[Runs] = []
    rows: list[list[Runs]] = []
    kind = ""

    def gathered() -> Iterator[Block]:
        if kind == "table" and len(rows) > 1:
            titles = tuple(" ".join(each.text for each in cell) for cell in rows[0])
            yield DataTable(titles, tuple(tuple(row) for row in rows[1:]))
        elif kind in ("- ", "! ") and items:
            yield BulletList(tuple(items), "warning" if kind == "! " else "body")
        elif kind in ("~ ", "prose") and sentences:
            yield Paragraph(tuple(sentences), "note" if kind == "~ " else "body")
        sentences.clear()
        items.clear()
        rows.clear()

    for line in map(str.strip, [*lines, ""]):
        heading = re.match(r"(={1,3}) (.+)", line)
        now = _kind_of(line)
        if heading or now != kind:
            yield from gathered()
        kind = "" if heading else now
        if heading:
            yield Heading(len(heading[1]), _run(heading[2], marks).text)  # type: ignore[arg-type]
        elif now == "table":
            rows.append([(_run(cell, marks),) for cell in line.split(">", 1)[1].split("<cell>")])
        elif now in ("- ", "! "):
            items.append((_run(line[2:], marks),))
        elif now:
            sentences.append(_run(line.removeprefix("~ "), marks))
    yield from gathered()


def _kind_of(line: str) -> str:
    if line.startswith(("<headers>", "<row>")):
        return "table"
    return line[:2] if line[:2] in ("- ", "! ", "~ ") else "prose" if line else ""


def _run(line: str, marks: Marks) -> Run:
    """Read a line with its citations; a citation stands for the whole line."""
    cited = {int(n) for found in re.findall(r"<cite>([\d ]*)</cite>", line) for n in found.split()}
    words = html.unescape(re.sub(r"\s*<cite>[\d ]*</cite>", "", line))
    # only before the full stop: inside, a space may be part of what was recorded
    words = re.sub(r"\s+\.$", ".", " ".join(words.split()))
    told = {mark for n in cited for mark in marks(n)}
    order: tuple[Mark, ...] = ("questioned", "clarified", "amended", "dictated")
    return Run(words, tuple(sorted(cited)), tuple(mark for mark in order if mark in told))
