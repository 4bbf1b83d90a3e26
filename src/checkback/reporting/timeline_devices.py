"""Draws the devices of a timeline: a bar for each, or a lane for each kind where there are many."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from checkback.reporting.timeline_items import Bar, Group
from checkback.reporting.timeline_plot import ALERT, GAP, LOOKS, SMALL, TEXT, UP, Plot, warning
from checkback.reporting.timeline_sheet import FAINT, INK, PAPER, Box, in_rows, shortened, text_width

BAR = 7.6
FEW_DEVICES = 12
"""So many have a bar with words of their own even in an overview."""
MANY_DEVICES = 18
"""With more of them, bars share a row where they do not meet."""
_LEAST_BAR = 2.2


class _Laid(NamedTuple):
    """A bar with the place of its words: in the row of the bar, or in the row below it."""

    bar: Bar
    text: str
    at: float
    align: str
    below: bool
    extents: tuple[tuple[float, float], ...]


def devices(plot: Plot) -> None:
    """Draw all devices."""
    bars = plot.line.bars
    if not bars:
        return
    if plot.overview and len(bars) > FEW_DEVICES:
        _lanes(plot)
        return
    plot.section("Devices", "in to out")
    laid = [_lay(plot, bar) for bar in bars]
    # while there is room each has a row of its own, in the order of going in
    rows = (
        in_rows([item.extents for item in laid], GAP)
        if len(bars) > MANY_DEVICES
        else _one_after_the_other([len(item.extents) for item in laid])
    )
    _draw_laid(plot, laid, rows)


_LANES: tuple[tuple[Group, str], ...] = (
    ("catheter", "guides, catheters"),
    ("wire", "wires"),
    ("balloon", "balloons"),
    ("plaque", "burrs and so on"),
    ("other", "other devices"),
)


def _lanes(plot: Plot) -> None:
    """Draw a lane for each kind of device, and a bar with words for each that was meant to stay."""
    sheet = plot.sheet
    plot.section("")
    for group, words in _LANES:
        bars = [bar for bar in plot.line.bars if bar.group == group]
        if not bars:
            continue
        rows = in_rows([[_ends(plot, bar)] for bar in bars], 1.0)
        box = sheet.text(6, sheet.y + plot.row / 2, words, TEXT)
        sheet.text(box.right + 4, sheet.y + plot.row / 2, f"{len(bars)}", SMALL, color=FAINT)
        for bar, row in zip(bars, rows, strict=True):
            _bar(plot, bar, sheet.y + (row + 0.5) * plot.row)
        sheet.y += (max(rows) + 1) * plot.row
    kept = [_lay(plot, bar) for bar in plot.line.bars if bar.group == "implant"]
    rows = in_rows([item.extents for item in kept], GAP)
    if kept:
        sheet.text(6, sheet.y + plot.row / 2, "stents, coils", TEXT)
    _draw_laid(plot, kept, rows)


def _draw_laid(plot: Plot, laid: Sequence[_Laid], rows: Sequence[int]) -> None:
    for item, row in zip(laid, rows, strict=True):
        y = plot.sheet.y + (row + 0.5) * plot.row
        _bar(plot, item.bar, y)
        plot.sheet.text(item.at, y + plot.row * item.below, item.text, TEXT, align=item.align, halo=True)
    depths = [row + len(item.extents) for row, item in zip(rows, laid, strict=True)]
    plot.sheet.y += max(depths, default=0) * plot.row


def _one_after_the_other(heights: Sequence[int]) -> list[int]:
    return [sum(heights[:i]) for i in range(len(heights))]


def _ends(plot: Plot, bar: Bar) -> tuple[float, float]:
    left = plot.x(bar.begin_min)
    return left, max(plot.x(bar.end_min), left + _LEAST_BAR)


def _lay(plot: Plot, bar: Bar) -> _Laid:
    left, right = _ends(plot, bar)
    reach = right + (9 if bar.stays_from_min is not None else 2)
    width = text_width(bar.text, TEXT)
    if reach + 3 + width <= plot.sheet.width - 1:
        return _Laid(bar, bar.text, reach + 3, "left", False, ((left - 3, reach + 3 + width),))
    if left - 5 - width >= plot.x.left + 2:
        return _Laid(bar, bar.text, left - 5, "right", False, ((left - 5 - width, reach),))
    inside = _gap(plot, bar, width + 4)
    if inside is not None:
        return _Laid(bar, bar.text, inside + 2, "left", False, ((left - 3, reach),))
    # no room beside it: in a row of its own below
    text = shortened(bar.text, TEXT, plot.sheet.width - plot.x.left - 4)
    width = text_width(text, TEXT)
    at = min(max(left, plot.x.left + 2), plot.sheet.width - 2 - width)
    return _Laid(bar, text, at, "left", True, ((left - 3, reach), (at, at + width)))


def _gap(plot: Plot, bar: Bar, width: float) -> float | None:
    """Return the first place on a bar that is wide enough and on which nothing else is drawn."""
    left, right = _ends(plot, bar)
    busy = [_up_ends(plot, bar, i) for i in range(len(bar.ups))]
    busy += [(plot.x(at) - 4, plot.x(at) + 4) for at in (*bar.runs, *bar.failures, *bar.troubles)]
    if bar.stays_from_min is not None:
        busy.append((plot.x(bar.stays_from_min) - 1, plot.x(bar.stays_from_min) + 1))
    at = left + 2
    for begin, end in sorted(busy):
        if begin - at >= width:
            return at
        at = max(at, end + 1)
    return at if right - 2 - at >= width else None


def _up_ends(plot: Plot, bar: Bar, i: int) -> tuple[float, float]:
    up = bar.ups[i]
    begin = plot.x(up.begin_min)
    end = begin if up.end_min is None else plot.x(up.end_min)
    return begin, max(end, begin + 1.4)


def _bar(plot: Plot, bar: Bar, y: float) -> None:
    sheet, look = plot.sheet, LOOKS[bar.group]
    left, right = _ends(plot, bar)
    half = BAR * min(1.0, plot.row / 10) / 2
    dashes = "--" if bar.open_end else "-"
    if bar.group == "wire":
        sheet.line([left, right], [y, y], color=look.edge, width=1.4, dashes=dashes)
    elif bar.group == "implant":
        sheet.rectangle(
            Box(left, y - half, right, y + half), fill=PAPER, edge=look.edge, width=0.8, dashes=dashes
        )
    else:
        sheet.rectangle(
            Box(left, y - half, right, y + half),
            fill=look.fill,
            edge=look.edge,
            width=0.8,
            hatch=look.hatch,
            dashes=dashes,
        )
    if bar.stays_from_min is not None:
        begin = plot.x(bar.stays_from_min)
        sheet.rectangle(
            Box(begin, y - 2.2, max(right, begin + 1.5), y + 2.2), fill=LOOKS["implant"].fill, zorder=2.6
        )
        sheet.marker(right + 3, y, ">", size=6, fill=LOOKS["implant"].fill, edge=LOOKS["implant"].fill)
    elif not bar.open_end:
        sheet.line([right, right], [y - half - 1, y + half + 1], color=INK, width=1.1, zorder=3)
    strongest = max((up.pressure_atm or 0 for each in plot.line.bars for up in each.ups), default=0) or 1
    for i, up in enumerate(bar.ups):
        begin, end = _up_ends(plot, bar, i)
        share = 1.0 if up.pressure_atm is None else max(0.25, up.pressure_atm / strongest)
        sheet.rectangle(
            Box(begin, y + half - 2 * half * share, end, y + half), fill=UP if up.pressure_atm is not None else PAPER,
            edge=UP, width=0.5, zorder=2.8,
        )  # fmt: skip
        words = "" if up.pressure_atm is None else f"{up.pressure_atm:g}"
        height = 2 * half * share
        if words and text_width(words, 5.4, "bold") + 1.5 <= end - begin and height >= 5:
            middle = y + half - height / 2
            sheet.text((begin + end) / 2, middle, words, 5.4, align="center", weight="bold", color=PAPER)
    for at in bar.runs:
        sheet.marker(plot.x(at), y, "v", size=4.6, fill=INK, edge=PAPER)
    for at in bar.failures:
        sheet.marker(plot.x(at), y, "x", size=5, edge=ALERT)
    for at in bar.troubles:
        warning(sheet, plot.x(at), y)
