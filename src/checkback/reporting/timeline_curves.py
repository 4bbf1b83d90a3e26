"""Draws the numbers of a timeline: doses and readings in rows, clotting time, contrast and pressures as curves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from checkback.reporting.timeline_items import Limit, Moment, Reading, Row
from checkback.reporting.timeline_plot import ALERT, BAND, BAND_EDGE, SMALL, TEXT, UP, Item, Plot, placed
from checkback.reporting.timeline_sheet import (
    FAINT,
    GRID,
    INK,
    PAPER,
    Box,
    in_rows,
    shortened,
    spread,
    text_width,
)


def rows(plot: Plot, name: str, rows: Sequence[Row], *, headed: bool = True) -> None:
    """Draw a row for each drug or sign, under a heading."""
    if not rows:
        return
    sheet = plot.sheet
    if headed:
        plot.section(name)
        sheet.y += plot.row
    elif plot.overview:
        plot.section("")
    for row in rows:
        _row(plot, row)


def _row(plot: Plot, row: Row) -> None:
    sheet = plot.sheet
    clusters = _clusters(plot, row.doses, adds_up=row.adds_up)
    doses = [item for item, _ in clusters]
    stretches = []
    for each in row.infusions:
        end = plot.x(plot.line.end_min if each.end_min is None else each.end_min)
        stretches.append(placed(plot, each.begin_min, each.text, TEXT, pad=2, to=end))
    items = [*doses, *stretches]
    places = in_rows([[(item.left, item.right)] for item in items], 2.0)
    name = shortened(row.name, TEXT, plot.x.left - text_width(row.unit, SMALL) - 16)
    box = sheet.text(6, sheet.y + plot.row / 2, name, TEXT)
    sheet.text(box.right + 4, sheet.y + plot.row / 2, row.unit, SMALL, color=FAINT)
    for i, (item, place) in enumerate(zip(items, places, strict=True)):
        top = sheet.y + place * plot.row
        base = top + plot.row - 1
        if i >= len(doses):
            each = row.infusions[i - len(doses)]
            end = plot.x(plot.line.end_min if each.end_min is None else each.end_min)
            sheet.line([item.x, max(end, item.x + 1)], [base, base], color=INK, width=1.6, zorder=3)
            if each.end_min is None:
                sheet.marker(end + 2, base, ">", size=3.6)
            elif each.end_min > each.begin_min:
                sheet.line([end, end], [top + 2, base + 0.8], width=0.9, zorder=3)
        for x in clusters[i][1] if i < len(doses) else (item.x,):
            sheet.line([x, x], [top + 1, base + 0.8], color=INK, width=1.2, zorder=3)
        if item.text:
            sheet.text(item.at, top + plot.row / 2 - 0.6, item.text, TEXT, align=item.align, halo=True)
    sheet.y += (max(places, default=0) + 1) * plot.row


def _clusters(plot: Plot, doses: Sequence[Moment], *, adds_up: bool) -> list[tuple[Item, list[float]]]:
    """Return the words for every group of doses that stand too close to be written one by one.

    Each comes with the places of its marks.
    """
    groups: list[list[Moment]] = []
    reach = -math.inf
    for dose in doses:
        x = plot.x(dose.at_min)
        if groups and x - 2 < reach:
            groups[-1].append(dose)
        else:
            groups.append([dose])
        reach = x + 2 + text_width(_listed(groups[-1], adds_up=adds_up), TEXT)
    return [_cluster(plot, group, _listed(group, adds_up=adds_up)) for group in groups]


def _cluster(plot: Plot, group: Sequence[Moment], words: str) -> tuple[Item, list[float]]:
    xs = [plot.x(dose.at_min) for dose in group]
    item = placed(plot, group[-1].at_min, words, TEXT, pad=2)
    if item.align == "left":
        return item._replace(left=xs[0] - 3), xs
    # to the left of the first mark: the others stand where it would have to begin
    room = shortened(words, TEXT, xs[0] - plot.x.left - 3)
    return Item(xs[0], xs[0] - 2, "right", room, xs[0] - 2 - text_width(room, TEXT), xs[-1] + 3), xs


def _listed(group: Sequence[Moment], *, adds_up: bool) -> str:
    """Return doses in order, such as "2 × 60 + 100", or readings, such as "97, 95"."""
    if not adds_up:
        return ", ".join(each.text for each in group)
    runs: list[tuple[str, int]] = []
    for dose in group:
        if runs and runs[-1][0] == dose.text:
            runs[-1] = (dose.text, runs[-1][1] + 1)
        else:
            runs.append((dose.text, 1))
    return " + ".join(text if times == 1 else f"{times} × {text}" for text, times in runs)


class _Rise(NamedTuple):
    """Values to points, upwards."""

    low: float
    high: float
    top: float
    bottom: float

    def __call__(self, value: float) -> float:
        return self.bottom - (self.bottom - self.top) * (value - self.low) / (self.high - self.low)


def _panel(plot: Plot, name: str, measure: str, values: Sequence[float], *, from_zero: bool = False) -> _Rise:
    plot.section(name, measure)
    low, high = (0.0 if from_zero else min(values)), max(values)
    margin = max((high - low) * 0.08, 1.0)
    top, bottom = plot.sheet.y + 8, plot.sheet.y + plot.panel - 4
    plot.sheet.y += plot.panel
    return _Rise(low if from_zero else low - margin, high + margin, top, bottom)


def _beside(plot: Plot, lines: Sequence[tuple[float, str]], top: float, bottom: float) -> None:
    """Write in the margin what lines stand for, with a stroke from each to its line."""
    low, high = top + plot.row + 3, bottom
    places = spread([y for y, _ in lines], 7.6, min(low, high - 7.6 * (len(lines) - 1)), high)
    for (y, words), place in zip(lines, places, strict=True):
        words = shortened(words, SMALL, plot.x.left - 12)
        plot.sheet.text(plot.x.left - 9, place, words, SMALL, align="right")
        plot.sheet.line([plot.x.left - 7.5, plot.x.left], [place, y], color=FAINT, width=0.5)


def _labelled(
    plot: Plot, x: float, y: float, text: str, *, weight: str = "normal", size: float = TEXT
) -> bool:
    """Write a number beside its point where there is room; return whether there was."""
    sheet = plot.sheet
    half = 0.6 * size
    for dx, dy, align in ((0, -6.5, "center"), (0, 6.5, "center"), (4, 0, "left"), (-4, 0, "right"),
                          (4, -5, "left"), (-4, -5, "right"), (4, 5, "left"), (-4, 5, "right"),
                          (0, -10, "center"), (0, 10, "center")):  # fmt: skip
        box = sheet.box_of(x + dx, y + dy, text, size, align, weight)
        if box.left >= plot.x.left and sheet.free(box):
            sheet.text(x + dx, y + dy, text, size, align=align, weight=weight, halo=True)
            return True
    return half < 0


def clotting(plot: Plot) -> None:
    """Draw the clotting times with their target."""
    acts, target = plot.line.acts, plot.line.act_target
    if not acts:
        return
    ends = [] if target is None else [target.low, target.high]
    rise = _panel(plot, "Clotting time", "ACT, s", [*(each.value for each in acts), *ends])
    if target is not None:
        box = Box(plot.x.left, rise(target.high), plot.x.right, rise(target.low))
        plot.sheet.rectangle(box, fill=BAND, zorder=0.1)
        for value in (target.low, target.high):
            plot.sheet.line(
                [plot.x.left, plot.x.right],
                [rise(value)] * 2,
                color=BAND_EDGE,
                width=0.8,
                dashes=(0, (5, 2)),
                zorder=0.6,
            )
        lines = [
            (rise(target.high), f"target to {target.high:g}"),
            (rise(target.low), f"target from {target.low:g}"),
        ]
        _beside(plot, lines, rise.top - 8, rise.bottom)
    xs, ys = [plot.x(each.at_min) for each in acts], [rise(each.value) for each in acts]
    plot.sheet.line(xs, ys, color=FAINT, width=0.6, dashes=(0, (1, 1.5)), zorder=2)
    for x, y, each in zip(xs, ys, acts, strict=True):
        shape = "o"
        if target is not None:
            shape = "v" if each.value < target.low else "^" if each.value > target.high else "o"
        plot.sheet.marker(x, y, shape, size=4.4, fill=INK if shape == "o" else PAPER)
    for x, y, each in zip(xs, ys, acts, strict=True):
        _labelled(plot, x, y, f"{each.value:g}")


def contrast(plot: Plot) -> None:
    """Draw the contrast so far with its limits."""
    given, limits = plot.line.contrast, plot.line.contrast_limits
    if not given:
        return
    values = [*(each.value for each in given), *(limit.value for limit in limits)]
    rise = _panel(plot, "Contrast", "so far, mL", values, from_zero=True)
    xs, ys = [plot.x.left], [rise(0)]
    for each in given:
        x = plot.x(each.at_min)
        xs += [x, x]
        ys += [ys[-1], rise(each.value)]
    xs.append(plot.x.right)
    ys.append(ys[-1])
    plot.sheet.axes.fill_between(xs, ys, rise(0), facecolor="#e4e4e4", edgecolor="none", zorder=0.1)
    plot.sheet.line(xs, ys, width=1.3, zorder=3)
    for limit in limits:
        plot.sheet.line(
            [plot.x.left, plot.x.right],
            [rise(limit.value)] * 2,
            color=ALERT,
            width=0.9,
            dashes=(0, (5, 2)),
            zorder=1.5,
        )
    named = [(rise(limit.value), limit_words(limit)) for limit in limits]
    _beside(plot, named, rise.top - 8, rise.bottom)
    last = given[-1]
    _labelled(plot, plot.x(last.at_min), rise(last.value), f"{last.value:g}", weight="bold")
    for each in given[:-1]:
        _labelled(plot, plot.x(each.at_min), rise(each.value), f"{each.value:g}")


def limit_words(limit: Limit) -> str:
    """Return a limit as it stands in the margin."""
    # the foot of the sheet has the whole name; a limit is never shown as more than it is
    name = limit.name.replace(" times the creatinine clearance", " × clearance")
    return f"{name} {math.floor(limit.value + 1e-9)}"


def pressures(plot: Plot) -> None:
    """Draw blood pressures and heart rates."""
    pressed, rates = plot.line.pressures, plot.line.rates
    if not (pressed or rates):
        return
    values = [each.value for each in (*pressed, *rates)]
    values += [each.low for each in pressed if each.low is not None]
    measure = "BP mmHg, HR /min" if pressed and rates else "mmHg" if pressed else "per min"
    name = "Vital signs" if pressed and rates else "Blood pressure" if pressed else "Heart rate"
    rise = _panel(plot, name, measure if name != "Vital signs" else "", values)
    marks = [mark for mark in range(0, 400, 50) if rise.low <= mark <= rise.high]
    for mark in marks:
        plot.sheet.line([plot.x.left, plot.x.right], [rise(mark)] * 2, color=GRID, width=0.5, zorder=0.2)
    _beside(plot, [(rise(mark), f"{mark}") for mark in reversed(marks)], rise.top - 8, rise.bottom)
    for each in pressed:
        x = plot.x(each.at_min)
        if each.low is not None:
            plot.sheet.line([x, x], [rise(each.value), rise(each.low)], width=0.9, zorder=2)
            plot.sheet.marker(x, rise(each.low), "_", size=4)
        plot.sheet.marker(x, rise(each.value), "_", size=4)
    for each in rates:
        plot.sheet.marker(plot.x(each.at_min), rise(each.value), "o", size=3.2, fill=PAPER, edge=UP)
    for each in _telling(pressed):
        low = "" if each.low is None else f"/{each.low:g}"
        _labelled(plot, plot.x(each.at_min), rise(each.value), f"{each.value:g}{low}", size=SMALL)
    for each in _telling(rates):
        _labelled(plot, plot.x(each.at_min), rise(each.value), f"{each.value:g}", size=SMALL)


def _telling(readings: Sequence[Reading]) -> list[Reading]:
    """Return the readings whose number is written: all of a few, else first, last, lowest, highest."""
    if len(readings) <= 8:
        return list(readings)
    chosen = (min(readings, key=_value), max(readings, key=_value), readings[0], readings[-1])
    return [each for i, each in enumerate(chosen) if each not in chosen[:i]]


def _value(reading: Reading) -> float:
    return reading.value
