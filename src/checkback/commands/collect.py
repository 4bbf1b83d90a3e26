"""`checkback collect`: the laboratory's questions over all cases in a folder."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.markup import escape
from rich.table import Table

from checkback import app
from checkback.commands.common import (
    NOT_A_DEVICE,
    SettingsFile,
    as_json_text,
    attention,
    err,
    given_path,
    out,
    pass_settings,
)
from checkback.errors import UserError
from checkback.extras import extra
from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.settings import grammars_folder
from checkback.watching.limits import load as load_limits

if TYPE_CHECKING:
    import polars

    from checkback.collecting.folder import Collection
    from checkback.collecting.questions import Answers

COLLECTION = "collection"
"""Folder, inside that of the cases, that the tables and the page go to."""

PAGE = "index.html"

NAMED = 10
"""So many cases that were left out are named on the screen."""


@click.command()
@click.argument("folder", type=given_path)
@click.option(
    "--out",
    "target",
    type=given_path,
    help=f"Folder to write to; default: {COLLECTION} in FOLDER.",
)
@click.option(
    "--fresh", is_flag=True, help="Read every case anew, also those that did not change since the last time."
)
@click.option("--entries", is_flag=True, help="Write all entries of all cases too, as entries.parquet.")
@click.option(
    "--workers", type=click.IntRange(1, 64), default=None, help="Processes that read; default: one a core."
)
@click.option("--json", "as_json", is_flag=True, help="Print the answers as one JSON object.")
@pass_settings
def collect(
    settings: SettingsFile,
    folder: Path,
    target: Path | None,
    fresh: bool,
    entries: bool,
    workers: int | None,
    as_json: bool,
) -> None:
    """Count over all cases below FOLDER: times, contrast, clotting, devices, what would not cross, reminders.

    Writes a page (index.html), tables (CSV and Parquet) and the answers (answers.json).  A case that
    is broken is named and left out; one that is unfinished is named and takes part where it can.

    Example: checkback collect cases
    """
    extra("polars", of="export", purpose="a collection of cases")
    extra("matplotlib", of="export", purpose="a plot")
    from checkback.collecting import folder as cases
    from checkback.collecting.page import page
    from checkback.collecting.plots import plots
    from checkback.collecting.questions import answers

    loaded = settings.load()
    limits = load_limits(grammars_folder(loaded))
    place = target or folder / COLLECTION
    with err.status("reading") as status:
        found = cases.collect(
            folder,
            limits,
            None if fresh else place,
            workers=workers or os.cpu_count() or 1,
            progress=lambda count: status.update(f"reading: {count} cases"),
        )
    result = answers(found.tables, limits)
    made = page(
        found.tables,
        result,
        plots(found.tables, result, limits),
        limits,
        folder=str(folder),
        made=datetime.now().astimezone(),
    )
    try:
        place.mkdir(parents=True, exist_ok=True)
        written = [*cases.keep(found, place), *_write(place, found, result, made)]
        if entries:
            written += _write_entries(folder, place, found, app.load_book(loaded))
    except OSError as error:
        raise UserError(
            f"{place} cannot be written ({error.strerror or error}): make room and leave to write there, or name "
            "another folder with --out"
        ) from None
    _name(found)
    if as_json:
        click.echo(as_json_text(result.plain(), indent=2))
    else:
        _print(result, found.kept)
        for path in written:
            out.print(escape(str(path)), soft_wrap=True)


def _write(place: Path, found: Collection, result: Answers, made: str) -> list[Path]:
    from checkback.reporting.tables import put_file

    files = {f"{name}.csv": csv_of(found[name]) for name in ("cases", "left_out")}
    files["answers.json"] = (json.dumps(result.plain(), ensure_ascii=False, indent=2) + "\n").encode()
    files[PAGE] = made.encode()
    for name, data in files.items():
        put_file(place / name, data)
    return [place / name for name in files]


def csv_of(table: polars.DataFrame) -> bytes:
    """Return a table as CSV (RFC 4180), its texts guarded as in the tables of a case."""
    import polars as pl

    from checkback.reporting.tables import guarded

    texts = [name for name, kind in table.schema.items() if kind == pl.String]
    safe = table.with_columns(pl.col(name).map_elements(guarded, return_dtype=pl.String) for name in texts)
    text = safe.write_csv(line_terminator="\r\n", datetime_format="%Y-%m-%dT%H:%M:%S%.3f%:z")
    return text.encode()


def _write_entries(folder: Path, place: Path, found: Collection, book: Phrasebook) -> list[Path]:
    from checkback.reporting.parquet import write_parquet

    def cases() -> Iterator[tuple[str, Case]]:
        for name in found["cases"]["case"]:
            path = folder / name
            yield name, app.read_case(path if path.is_dir() else folder)[0]

    return write_parquet(cases(), Phrasing(book).summary, place)


def _name(found: Collection) -> None:
    """Name the cases that are not in the figures, or not with all of theirs."""
    import polars as pl

    for name, reason in found["left_out"].head(NAMED).iter_rows():
        attention(f"{name} is left out: {reason}")
    if (more := found["left_out"].height - NAMED) > 0:
        attention(f"and {more} more are left out: see left_out.csv")
    unfinished = found["cases"].filter(~pl.col("finished"))["case"]
    if unfinished.len():
        named = ", ".join(unfinished.head(NAMED))
        rest = f" and {unfinished.len() - NAMED} more" if unfinished.len() > NAMED else ""
        attention(f"unfinished: {named}{rest}")


def _print(result: Answers, kept: int) -> None:
    from checkback.collecting.page import figure, percent

    out.print(
        f"{result.cases} {'case' if result.cases == 1 else 'cases'}: {result.finished} finished, {result.unfinished} unfinished, {result.left_out} left out "
        f"({kept} unchanged since the last time)",
        soft_wrap=True,
    )
    table = Table("figure", "of", "median", "quartiles", "within target", box=None, pad_edge=False)
    for each in result.spreads:
        within = "" if each.within is None else f"{each.within} of {each.n} ({escape(each.target)})"
        name = f"{each.name}, {each.unit}" if each.unit else each.name
        table.add_row(
            name, str(each.n), figure(each.median), f"{figure(each.low)} to {figure(each.high)}", within
        )
    for share in result.shares:
        table.add_row(share.name, figure(share.whole), percent(share.share), "", share.note)
    out.print(table)
    for refused in result.refused[:NAMED]:
        tried = refused.next_device or "nothing"
        out.print(
            escape(
                f"{refused.times}× {refused.device} did not cross, then {tried}: {refused.crossed} crossed"
            ),
            soft_wrap=True,
        )
    out.print(f"[dim]{NOT_A_DEVICE}[/]", soft_wrap=True)
