"""A collection as one web page that needs nothing else: no script, no file beside it, no network."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import polars as pl
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from checkback.collecting.plots import Plot
from checkback.collecting.questions import Answers
from checkback.watching.limits import Limits

NAMED = 200
"""So many cases of each sort are named on the page; the tables name all."""

_TEMPLATES = Path(__file__).parent / "templates"


def figure(value: float | None) -> str:
    """Return a figure to three significant places, whole from a hundred on; a dash for none."""
    if value is None:
        return "–"
    return f"{value:.0f}" if abs(value) >= 100 or value == int(value) else f"{value:.3g}"


def percent(share: float | None) -> str:
    """Return a share in per cent with one place; a dash for none."""
    return "–" if share is None else f"{100 * share:.1f} %"


def page(
    tables: Mapping[str, pl.DataFrame],
    answers: Answers,
    drawn: Sequence[Plot],
    limits: Limits,
    *,
    folder: str,
    made: datetime,
) -> str:
    """Return the page.

    Parameters
    ----------
    tables : mapping of str to polars.DataFrame
        As in `Collection`.
    answers : Answers
    drawn : sequence of Plot
    limits : Limits
        Their sources are named.
    folder : str
        Where the cases came from.
    made : datetime
    """
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters |= {"figure": figure, "percent": percent}
    cases = tables["cases"]
    unfinished = cases.filter(~pl.col("finished")).select("case", pl.lit("no case end is on record"))
    noted = cases.filter(pl.col("note") != "").select("case", "note")
    lacking = cases.filter(pl.col("lacking") != "").select("case", "lacking")
    lists = [
        ("Left out", tables["left_out"]),
        ("Unfinished", unfinished),
        ("Last line cut off", noted),
        ("A figure could not be computed", lacking),
    ]
    rules = (
        limits.times.door_to_device,
        limits.times.contact_to_device,
        limits.contrast.allowable,
        limits.act.interval,
    )
    return environment.get_template("collection.html.j2").render(
        answers=answers,
        plots=drawn,
        lists=[(title, list(rows.head(NAMED).iter_rows()), rows.height) for title, rows in lists],
        file="cases.csv and left_out.csv",
        folder=folder,
        made=f"{made:%Y-%m-%d %H:%M}",
        sources="; ".join(dict.fromkeys(rule.cited for rule in rules)),
    )
