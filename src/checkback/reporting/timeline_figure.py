"""Draws the timeline of a case.

What the reader wants to know decides what stands where, from the top: when did things happen, what
went wrong, what went in and for how long and what stays, which drug when, was the clotting time in
its target, how near did contrast come to its limit, how was the patient.  Shape, hatch and words
carry the meaning; colour only helps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from checkback.reporting.cited import LOCAL
from checkback.reporting.document import DRAFT
from checkback.reporting.timeline_curves import clotting, contrast, limit_words, pressures, rows
from checkback.reporting.timeline_devices import devices
from checkback.reporting.timeline_items import Moment, Timeline
from checkback.reporting.timeline_legend import legend
from checkback.reporting.timeline_plot import (
    ALERT,
    GAP,
    LEFT_LEAST,
    LEFT_MOST,
    RIGHT,
    SMALL,
    TEXT,
    Plot,
    Scale,
    placed,
    warning,
)
from checkback.reporting.timeline_sheet import (
    FAINT,
    GRID,
    INK,
    PAPER,
    WIDTH_PT,
    Box,
    Sheet,
    in_rows,
    shortened,
    text_width,
    wrapped,
)

_CLOSE_PT = 32.0
"""Key times nearer than this are named together."""

_STEPS_MIN = (0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120, 240, 480, 1440, 2880, 10080, 100800, 1008000)


def draw(
    line: Timeline,
    *,
    status: str = DRAFT,
    notices: Sequence[str] = (),
    title: str = "Course of the case",
    width_pt: float = WIDTH_PT,
    overview: bool = False,
) -> Sheet:
    """Draw a timeline.

    Parameters
    ----------
    line : Timeline
        It may be empty.
    status : str
        Whether it is a draft, or who signed.
    notices : sequence of str
        What must stand beside it, such as a broken chain of entries.
    title : str
    width_pt : float
        Of the sheet; a wider one has more room for words, which are smaller when it is printed.
    overview : bool
        Draw many devices by kind and leave out the minor readings.

    Returns
    -------
    Sheet
        Finished; see `Sheet.svg` and `Sheet.png`.

    Raises
    ------
    UserError
        If matplotlib is not installed.
    """
    sheet = Sheet(width_pt)
    signs = () if overview else line.signs
    names = [text_width(row.name, TEXT) + text_width(row.unit, SMALL) + 17 for row in (*line.drugs, *signs)]
    limits = [text_width(limit_words(limit), SMALL) + 12 for limit in line.contrast_limits]
    left = min(LEFT_MOST, max(LEFT_LEAST, *names, *limits, 0.0))
    scale = Scale(left, sheet.width - RIGHT, max(line.end_min, 0.5))
    plot = Plot(sheet, line, scale, overview=overview)
    if overview:
        plot.row, plot.panel = 8.2, 34.0
    _head(plot, title, status, notices)
    if line.zero is None:
        sheet.text(0, sheet.y + 8, "Nothing that happened to the patient is on record yet.", TEXT)
        sheet.y += 18
        sheet.finish()
        return sheet
    down_from = _key_times(plot)
    _ticks(plot)
    axis = sheet.y
    _events(plot)
    devices(plot)
    rows(plot, "Drugs", line.drugs, headed=not overview)
    clotting(plot)
    contrast(plot)
    pressures(plot)
    rows(plot, "Vital signs", signs, headed=not (line.pressures or line.rates))
    _unsettled(plot)
    _ruled(plot, axis, down_from)
    legend(plot)
    _foot(plot)
    sheet.finish()
    return sheet


WIDE_PT = 590.0
"""Printed at 174 mm its smallest words have 4.7 points, its names 5.4."""


def draw_to_fit(
    line: Timeline,
    height_mm: float,
    *,
    status: str = DRAFT,
    notices: Sequence[str] = (),
    title: str = "Course of the case",
    overview: bool = True,
) -> tuple[Sheet, float]:
    """Draw a timeline with as much as a height on paper has room for.

    Whole if that can be read, on a wider sheet if need be; then as an overview, if that is allowed;
    at last whatever has the largest letters.

    Returns
    -------
    tuple of (Sheet, float)
        The drawing, and how wide it is to be printed, mm.

    Raises
    ------
    UserError
        If matplotlib is not installed.
    """
    best: tuple[float, Sheet, float] | None = None
    for less in (False, True) if overview else (False,):
        for width_pt in (WIDTH_PT, WIDE_PT):
            sheet = draw(line, status=status, notices=notices, title=title, width_pt=width_pt, overview=less)
            printed_mm = PAPER_MM * sheet.y / sheet.width
            shrunk = min(1.0, height_mm / printed_mm)
            scale = shrunk * WIDTH_PT / width_pt
            if best is None or scale > best[0] + 1e-9:
                best = scale, sheet, math.floor(10 * PAPER_MM * shrunk) / 10
            if shrunk == 1.0:
                break  # a wider sheet would only have smaller letters
        if best is not None and best[0] >= READABLE:
            break
    assert best is not None
    return best[1], best[2]


READABLE = 0.8
"""Names have 5.2 points at this scale; less is taken only where nothing else fits."""

PAPER_MM = 174.0
"""Width of a page of A4 between its margins."""


# --- frame ---


def _head(plot: Plot, title: str, status: str, notices: Sequence[str]) -> None:
    sheet, line = plot.sheet, plot.line
    day = "" if line.zero is None else f", {line.zero:%Y-%m-%d}"
    sheet.text(0, 7, f"{title}{day}", 9, weight="bold")
    width = text_width(status, 7.5, "bold")
    if width > sheet.width / 2:
        status = shortened(status, 7.0, sheet.width / 2)
        width = text_width(status, 7.5, "bold")
    sheet.rectangle(Box(sheet.width - width - 8, 1, sheet.width - 0.5, 13), edge=ALERT, width=0.9)
    sheet.text(sheet.width - 4, 7.2, status, 7.5, align="right", weight="bold", color=ALERT)
    sheet.y = 17
    for notice in notices:
        for part in wrapped(notice, TEXT, 0.95 * sheet.width):
            sheet.text(0, sheet.y + 4, part, TEXT, weight="bold", color=ALERT)
            sheet.y += 9


def _key_times(plot: Plot) -> list[tuple[float, float]]:
    """Write the key times on flags, and return for each the place from which its line runs down."""
    groups = _together(plot, plot.line.key_times)
    items = [placed(plot, group[0].at_min, _named(group), TEXT, pad=2.5) for group in groups]
    places = in_rows([[(item.left, item.right)] for item in items], GAP)
    sheet, height = plot.sheet, 9.0
    starts = []
    for group, item, row in zip(groups, items, places, strict=True):
        y = sheet.y + row * height + height / 2
        sheet.text(item.at, y, item.text, TEXT, align=item.align, halo=True)
        starts += [
            (plot.x(moment.at_min), y - height / 2 + 1 if i == 0 else y + height / 2)
            for i, moment in enumerate(group)
        ]
    sheet.y += (max(places, default=-1) + 1) * height + 2
    return starts


def _together(plot: Plot, moments: Sequence[Moment], *, alike: bool = False) -> list[list[Moment]]:
    """Group moments that follow each other so closely that their words would meet.

    With `alike` only those that begin with the same word.
    """
    groups: list[list[Moment]] = []
    for moment in moments:
        first = groups[-1][0] if groups else None
        near = first is not None and plot.x(moment.at_min) - plot.x(first.at_min) <= _CLOSE_PT
        same = first is not None and (not alike or first.text.split()[0] == moment.text.split()[0])
        if near and same:
            groups[-1].append(moment)
        else:
            groups.append([moment])
    return groups


def _named(group: Sequence[Moment]) -> str:
    """Return the words of a group, a word that comes again counted: "access × 2"."""
    names = list(dict.fromkeys(moment.text for moment in group))
    counts = [sum(moment.text == name for moment in group) for name in names]
    return ", ".join(
        name if count == 1 else f"{name} × {count}" for name, count in zip(names, counts, strict=True)
    )


_DAY_MIN = 1440


def _form(step: float) -> str:
    return "%H:%M:%S" if step < 1 else "%H:%M" if step < _DAY_MIN else "%Y-%m-%d"


def _step(end_min: float, room_pt: float) -> float | None:
    """Return the finest step in minutes at which the times of the axis do not meet; None: none is coarse enough."""
    for step in _STEPS_MIN:
        width = text_width(f"{datetime(2000, 12, 28):{_form(step)}}", SMALL) + 8
        if step / end_min * room_pt >= width:
            return float(step)
    return None


def _marks(plot: Plot) -> list[tuple[float, str]]:
    """Return the round times on the axis, in minutes and as they are written."""
    zero = plot.line.zero
    assert zero is not None
    step = _step(plot.x.end_min, plot.x.right - plot.x.left)
    if step is None:
        return []
    since_min = zero.hour * 60 + zero.minute + (zero.second + zero.microsecond / 1e6) / 60
    first = math.ceil(since_min / step - 1e-9) * step - since_min
    count = math.floor((plot.x.end_min - first) / step + 1e-9) + 1
    places = [first + i * step for i in range(max(0, count))]
    # to the nearest second: the minutes were rounded
    return [(at, f"{plot.line.moment(at + 0.5 / 60):{_form(step)}}") for at in places]


def _ticks(plot: Plot) -> None:
    sheet = plot.sheet
    sheet.text(0, sheet.y + 4.5, "Time of day", TEXT, weight="bold")
    for at_min, words in _marks(plot):
        x = plot.x(at_min)
        width = text_width(words, SMALL)
        # the first and last stand beside their tick where there is no room
        centre = min(max(x, plot.x.left + width / 2), sheet.width - width / 2)
        sheet.text(centre, sheet.y + 4.5, words, SMALL, align="center", color=FAINT)
    sheet.y += 9


def _ruled(plot: Plot, axis: float, key_times: Sequence[tuple[float, float]]) -> None:
    """Draw the lines that run through all parts, behind everything."""
    sheet = plot.sheet
    for at_min, _ in _marks(plot):
        sheet.line([plot.x(at_min)] * 2, [axis, sheet.y], color=GRID, width=0.5, zorder=0.2)
    for x, y in key_times:
        sheet.line([x, x], [y, sheet.y], color="#8a8a8a", width=0.6, dashes=(0, (1.5, 1.5)), zorder=0.4)
    sheet.line([plot.x.left] * 2, [axis, sheet.y], color="#b0b0b0", width=0.5, zorder=0.5)


# --- what happened ---


def _events(plot: Plot) -> None:
    line = plot.line
    if plot.overview:
        _numbers(plot)
        return
    if line.complications:
        plot.section("Complications")
        _moments(plot, line.complications, "!")
    if line.rhythm or line.compressions:
        plot.section("Rhythm")
        _moments(plot, line.rhythm, "o")
        _compressions(plot)


def _moments(plot: Plot, moments: Sequence[Moment], mark: str) -> None:
    groups = _together(plot, moments, alike=True)
    items = []
    for group in groups:
        apart = plot.x(group[-1].at_min) - plot.x(group[0].at_min)
        item = placed(plot, group[0].at_min, _named(group), TEXT, pad=5 + apart)
        if item.align == "right":
            # there is no room beyond the last, so the words stand before the first
            item = placed(plot, group[0].at_min, _named(group), TEXT, pad=5)
            item = item._replace(right=max(item.right, item.x + apart + 3))
        items.append(item)
    places = in_rows([[(item.left, item.right)] for item in items], GAP)
    sheet = plot.sheet
    for group, item, row in zip(groups, items, places, strict=True):
        y = sheet.y + (row + 0.5) * plot.row
        for each in group:
            x = plot.x(each.at_min)
            if mark == "!":
                warning(sheet, x, y)
            elif each.grave:
                sheet.marker(x, y, "D", size=4.2, fill=ALERT, edge=INK)
            else:
                sheet.marker(x, y, "o", size=3.6, fill=PAPER)
        color = ALERT if mark == "!" else INK
        sheet.text(item.at, y, item.text, TEXT, align=item.align, halo=True, color=color)
    sheet.y += (max(places, default=-1) + 1) * plot.row


def _numbers(plot: Plot) -> None:
    """Draw what must not be overlooked as numbers, which the page explains."""
    sheet, moments = plot.sheet, plot.line.grave_moments
    if not moments:
        return
    sheet.numbered = True
    plot.section("Events", "numbered")
    groups = _together(plot, moments)
    words, first = [], 1
    for group in groups:
        last = first + len(group) - 1
        words.append(str(first) if last == first else f"{first}–{last}")
        first = last + 1
    boxes = []
    for group, each in zip(groups, words, strict=True):
        left = plot.x(group[0].at_min) - 4
        boxes.append((left, left + max(8.0, text_width(each, SMALL, "bold") + 4)))
    places = in_rows([[box] for box in boxes], 1.0)
    for (left, right), group, each, row in zip(boxes, groups, words, places, strict=True):
        y = sheet.y + (row + 0.5) * plot.row
        for moment in group:
            x = plot.x(moment.at_min)
            sheet.line([x, x], [y + 3.9, sheet.y + (max(places) + 1) * plot.row + 1], color=ALERT, width=0.9)
        sheet.rectangle(Box(left, y - 3.9, right, y + 3.9), fill=PAPER, edge=ALERT, width=0.9, zorder=3.6)
        sheet.text((left + right) / 2, y, each, SMALL, align="center", weight="bold", color=ALERT)
    sheet.y += (max(places) + 1) * plot.row + 1


def _compressions(plot: Plot) -> None:
    if not plot.line.compressions:
        return
    sheet = plot.sheet
    items = []
    for each in plot.line.compressions:
        end = plot.x(plot.line.end_min if each.end_min is None else each.end_min)
        items.append(placed(plot, each.begin_min, each.text, TEXT, pad=end - plot.x(each.begin_min) + 4))
    rows = in_rows([[(item.left, item.right)] for item in items], GAP)
    for each, item, row in zip(plot.line.compressions, items, rows, strict=True):
        y = sheet.y + (row + 0.5) * plot.row
        end = plot.x(plot.line.end_min if each.end_min is None else each.end_min)
        sheet.rectangle(
            Box(item.x, y - 2.5, max(end, item.x + 1.5), y + 2.5), fill=PAPER, edge=ALERT, hatch="||||||"
        )
        sheet.text(item.at, y, item.text, TEXT, align=item.align, halo=True)
    sheet.y += (max(rows) + 1) * plot.row


# --- foot ---


def _unsettled(plot: Plot) -> None:
    if not plot.line.unsettled:
        return
    plot.section("Not settled", "asked about")
    items = [
        placed(
            plot,
            each.at_min,
            f"[{each.cites[0]}]" if plot.overview else f"{each.text} [{each.cites[0]}]",
            TEXT,
            pad=5,
        )
        for each in plot.line.unsettled
    ]
    rows = in_rows([[(item.left, item.right)] for item in items], GAP)
    sheet = plot.sheet
    for item, row in zip(items, rows, strict=True):
        y = sheet.y + (row + 0.5) * plot.row
        sheet.marker(item.x, y, "s", size=6, fill=PAPER)
        sheet.text(item.x, y, "?", 5.5, align="center", weight="bold")
        sheet.text(item.at, y, item.text, TEXT, align=item.align, slant="italic", halo=True)
    sheet.y += (max(rows) + 1) * plot.row


def _foot(plot: Plot) -> None:
    sheet, line = plot.sheet, plot.line
    notes = []
    if not line.ended:
        notes.append(f"The case is not ended: this is the record up to {line.moment(line.end_min):%H:%M:%S}.")
    notes += [
        f"{step.text} [{step.cites[0]}]: times run on by the clock that was not set."
        for step in line.clock_steps
    ]
    if line.drugs:
        notes.append(
            "mcg: micrograms. IV intravenous, IC intracoronary, IA intra-arterial, PO by mouth, SL under the tongue, SC subcutaneous, IM intramuscular."
        )
    sources = [f"{name}: {source}" for name, source in line.sources]
    if plot.overview and sources:
        notes.append(f"{'; '.join(sources)}; {LOCAL}.")
    else:
        notes += [f"{each}; {LOCAL}." for each in sources]
    sheet.y += 2
    for note in notes:
        for part in wrapped(note, 5.6, 0.975 * sheet.width):
            sheet.text(0, sheet.y + 3.5, part, 5.6, color="#4a4a4a")
            sheet.y += 7
    sheet.y += 2
