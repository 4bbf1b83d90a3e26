"""Explains the shapes of a timeline."""

from __future__ import annotations

from checkback.reporting.timeline_plot import ALERT, LOOKS, SMALL, UP, Plot, warning
from checkback.reporting.timeline_sheet import INK, PAPER, Box, Sheet, text_width


def legend(plot: Plot) -> None:
    """Explain the shapes that were used, and no others."""
    sheet, bars = plot.sheet, plot.line.bars
    used = {bar.group for bar in bars}
    entries: list[tuple[str, str]] = [(group, look.words) for group, look in LOOKS.items() if group in used]
    if any(bar.stays_from_min is not None for bar in bars) and "implant" not in used:
        entries.append(("implant", "stays in"))
    if any(bar.ups for bar in bars):
        entries.append(("up", "balloon up: height is pressure, number is atm"))
    if plot.overview and any(bar.troubles for bar in bars):
        entries.append(("warning", "trouble"))
    if any(bar.runs for bar in bars):
        entries.append(("run", "run"))
    if any(bar.failures for bar in bars):
        entries.append(("failure", "did not cross"))
    if any(bar.fate == "in" for bar in bars):
        entries.append(("open", "dashed: not said to be out"))
    if any(bar.fate in ("out", "retrieved") for bar in bars):
        entries.append(("out", "out"))
    if plot.line.complications and not plot.overview:
        entries.append(("warning", "complication"))
    if any(each.grave for each in plot.line.rhythm) and not plot.overview:
        entries.append(("grave", "grave rhythm or resuscitation"))
    if plot.line.acts and plot.line.act_target is not None:
        entries += [("within", "ACT in target"), ("below", "below"), ("above", "above")]
    if plot.line.pressures:
        entries.append(("pressure", "systolic over diastolic"))
    if plot.line.rates:
        entries.append(("rate", "heart rate"))
    if not entries:
        return
    sheet.y += 3
    sheet.line([0, sheet.width], [sheet.y, sheet.y], color=INK, width=0.6)
    sheet.y += 3
    x, y = 0.0, sheet.y + 4.5
    for key, words in entries:
        width = 15 + text_width(words, SMALL) + 10
        if x > 0 and x + width > sheet.width + 10:
            x, y = 0.0, y + 9.5
        _sample(sheet, key, x + 6, y)
        sheet.text(x + 15, y, words, SMALL)
        x += width
    sheet.y = y + 6


def _sample(sheet: Sheet, key: str, x: float, y: float) -> None:
    match key:
        case "wire":
            sheet.line([x - 6, x + 6], [y, y], color=LOOKS["wire"].edge, width=1.4)
        case "catheter" | "balloon" | "plaque" | "other":
            look = LOOKS[key]
            sheet.rectangle(
                Box(x - 6, y - 3, x + 6, y + 3), fill=look.fill, edge=look.edge, width=0.8, hatch=look.hatch
            )
        case "implant":
            sheet.rectangle(Box(x - 6, y - 2.2, x + 3, y + 2.2), fill=LOOKS["implant"].fill)
            sheet.marker(x + 4.5, y, ">", size=5.5, fill=LOOKS["implant"].fill, edge=LOOKS["implant"].fill)
        case "up":
            for dx, height in ((-5, 3.0), (-1, 6.0), (3, 4.5)):
                sheet.rectangle(Box(x + dx, y + 3 - height, x + dx + 2.4, y + 3), fill=UP)
        case "run":
            sheet.marker(x, y, "v", size=4.6, fill=INK, edge=PAPER)
        case "failure":
            sheet.marker(x, y, "x", size=5, edge=ALERT)
        case "open":
            sheet.rectangle(Box(x - 6, y - 3, x + 6, y + 3), edge=INK, width=0.8, dashes="--")
        case "out":
            sheet.line([x, x], [y - 4, y + 4], width=1.1)
        case "warning":
            warning(sheet, x, y)
        case "grave":
            sheet.marker(x, y, "D", size=4.2, fill=ALERT)
        case "within":
            sheet.marker(x, y, "o", size=4.4)
        case "below" | "above":
            sheet.marker(x, y, "v" if key == "below" else "^", size=4.4, fill=PAPER)
        case "pressure":
            sheet.line([x, x], [y - 3.5, y + 3.5], width=0.9)
            sheet.marker(x, y - 3.5, "_", size=4)
            sheet.marker(x, y + 3.5, "_", size=4)
        case "rate":
            sheet.marker(x, y, "o", size=3.2, fill=PAPER, edge=UP)
