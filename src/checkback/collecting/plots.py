"""Plots of a collection, as SVG text: readable in print, in grey and by colour-blind readers."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import matplotlib
import polars as pl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import PowerNorm
from matplotlib.figure import Figure

from checkback.collecting.questions import Answers
from checkback.watching.limits import Limits

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, FILL, PALE = "#22303c", "#3f6f8f", "#c9d6de"
"""Dark, middle and light of one hue: they differ in grey too; what must be told apart is hatched."""

_WIDTH_IN = 7.2


class Plot(NamedTuple):
    """One plot: an identifier, what it shows in a sentence, and the SVG element."""

    key: str
    what: str
    svg: str


def plots(tables: Mapping[str, pl.DataFrame], answers: Answers, limits: Limits) -> list[Plot]:
    """Return all plots, in the order of the page.

    Parameters
    ----------
    tables : mapping of str to polars.DataFrame
        As in `Collection`.
    answers : Answers
        Of the same tables.
    limits : Limits
        For targets and steps.
    """
    cases = tables["cases"]
    finished = cases.filter("finished")
    times, contrast = limits.times, limits.contrast
    steps = [step.value for step in contrast.ratio_steps]
    return [
        _histograms(
            "times",
            "Minutes to the first balloon, stent or aspiration; the dashed line is the target.",
            [
                ("door to device, min", cases["door_to_device_min"], [times.door_to_device.value]),
                (
                    "first contact to device, min",
                    cases["contact_to_device_min"],
                    [times.contact_to_device.value],
                ),
            ],
        ),
        _histograms(
            "contrast",
            "Contrast of finished cases over its limit and over the creatinine clearance; dashed: 1, and the steps.",
            [
                ("contrast / limit", finished["contrast_over_limit"], [1.0]),
                ("contrast / clearance, mL per mL/min", finished["contrast_over_clearance"], steps),
            ],
        ),
        _clotting(tables["readings"], cases),
        _devices(tables["lesions"].join(finished.select("case"), on="case", how="semi"), finished),
        _refused(answers),
        _reminders(answers),
    ]


def _drawn(key: str, what: str, height_in: float, panels: int, draw: Any) -> Plot:
    style: Any = {
        "font.size": 9,
        "font.family": "sans-serif",
        "axes.edgecolor": INK,
        "axes.labelcolor": INK,
        "text.color": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "hatch.linewidth": 0.6,
        # the same tables give the same bytes
        "svg.hashsalt": f"checkback {key}",
    }
    with matplotlib.rc_context(style):
        figure = Figure(figsize=(_WIDTH_IN, height_in), layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.subplots(1, panels, squeeze=False)[0]
        draw(*axes)
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    return Plot(key, what, _element(key, what, text.getvalue()))


def _element(key: str, what: str, document: str) -> str:
    """Return the SVG element of a document, with names of its own and a title for who cannot see it."""
    svg = document[document.index("<svg") :]
    svg = re.sub(r'(id="|url\(#|href="#)', rf"\g<1>{key}-", svg)
    head, rest = svg.split(">", 1)
    return f'{head} role="img" aria-label="{what}">{rest}'


def _empty(axes: Axes) -> None:
    axes.text(0.5, 0.5, "not on record in any case", ha="center", va="center", transform=axes.transAxes)
    axes.set_xticks([])
    axes.set_yticks([])


def _histograms(key: str, what: str, panels: Sequence[tuple[str, pl.Series, Sequence[float]]]) -> Plot:
    def draw(*axes: Axes) -> None:
        for each, (label, values, marks) in zip(axes, panels, strict=True):
            known = values.drop_nulls().cast(pl.Float64)
            each.set_xlabel(label)
            if not known.len():
                _empty(each)
                continue
            # the far end would hide the rest; it is counted in the last bar
            last = max(float(known.quantile(0.995) or 0.0), *marks) * 1.02 or 1.0
            # `clip` keeps what is beyond in the last bar
            each.hist(
                known.clip(0, last).to_numpy(),
                bins=30,
                range=(0, last),
                color=PALE,
                edgecolor=INK,
                linewidth=0.6,
            )
            for mark in marks:
                each.axvline(mark, color=INK, linestyle=(0, (4, 2)), linewidth=1.4)
            each.set_title(f"{known.len()} cases", fontsize=9, loc="left")
            each.set_ylabel("cases")

    return _drawn(key, what, 2.4, len(panels), draw)


def _clotting(readings: pl.DataFrame, cases: pl.DataFrame) -> Plot:
    what = (
        "Clotting times after the first heparin: darker is more readings; dashed: the most frequent target."
    )

    def draw(axes: Axes) -> None:
        axes.set_xlabel("minutes after the first heparin")
        axes.set_ylabel("activated clotting time, s")
        if not readings.height:
            _empty(axes)
            return
        last = max(10.0, float(readings["after_heparin_min"].quantile(0.99) or 0.0))
        counted = axes.hist2d(
            readings["after_heparin_min"].clip(0, last).to_numpy(),
            readings["act_s"].to_numpy(),
            bins=(36, 24),
            cmap="Greys",
            # the many first readings would leave the later ones too pale to be seen
            norm=PowerNorm(0.4),
            cmin=1,
        )
        counted[3].set_rasterized(True)
        (low, high), *_ = (
            cases.filter(pl.col("act_observed_min") >= 0)
            .group_by("act_low_s", "act_high_s")
            .len()
            .sort(["len", "act_low_s"], descending=[True, False])
            .select("act_low_s", "act_high_s")
            .iter_rows()
        )
        for level in (low, high):
            axes.axhline(level, color=FILL, linestyle=(0, (4, 2)), linewidth=1.6)
        axes.set_title(f"{readings.height} readings", fontsize=9, loc="left")

    return _drawn("clotting", what, 2.8, 1, draw)


def _devices(lesions: pl.DataFrame, finished: pl.DataFrame) -> Plot:
    def draw(*axes: Axes) -> None:
        pairs = (
            ("devices in a lesion", lesions["devices"], "lesions"),
            ("devices in a case", finished["devices"], "cases"),
        )
        for each, (label, values, of) in zip(axes, pairs, strict=True):
            each.set_xlabel(label)
            if not values.len():
                _empty(each)
                continue
            counted = values.value_counts().sort(values.name)
            each.bar(
                counted[values.name].to_numpy(),
                counted["count"].to_numpy(),
                color=PALE,
                edgecolor=INK,
                linewidth=0.6,
            )
            each.set_ylabel(of)
            each.set_title(f"{values.len()} {of}", fontsize=9, loc="left")

    return _drawn("devices", "How many devices were used in a lesion and in a finished case.", 2.4, 2, draw)


def _refused(answers: Answers) -> Plot:
    what = "What would not cross and what was tried next: dark crossed, hatched did not, white was not said."
    rows = answers.refused[:12][::-1]

    def draw(axes: Axes) -> None:
        axes.set_xlabel("times")
        if not rows:
            _empty(axes)
            return
        names = [f"{row.device} → {row.next_device or 'nothing'}" for row in rows]
        places = range(len(rows))
        crossed = [row.crossed for row in rows]
        missed = [row.not_crossed for row in rows]
        unsaid = [row.times - row.crossed - row.not_crossed for row in rows]
        axes.barh(places, crossed, color=FILL, edgecolor=INK, linewidth=0.6, label="crossed")
        axes.barh(
            places,
            missed,
            left=crossed,
            color=PALE,
            hatch="////",
            edgecolor=INK,
            linewidth=0.6,
            label="did not",
        )
        before = [a + b for a, b in zip(crossed, missed, strict=True)]
        axes.barh(places, unsaid, left=before, color="white", edgecolor=INK, linewidth=0.6, label="not said")
        axes.set_yticks(list(places), names)
        _finish(axes, len(rows))

    return _drawn("refused", what, 1.2 + 0.26 * max(len(rows), 4), 1, draw)


def _reminders(answers: Answers) -> Plot:
    what = "How often each rule spoke up (pale), and how often that was noted (dark)."
    rows = answers.advice[:16][::-1]

    def draw(axes: Axes) -> None:
        axes.set_xlabel("times")
        if not rows:
            _empty(axes)
            return
        places = range(len(rows))
        axes.barh(
            places, [row.spoken for row in rows], color=PALE, edgecolor=INK, linewidth=0.6, label="spoke up"
        )
        axes.barh(
            places,
            [row.answered for row in rows],
            height=0.4,
            color=FILL,
            edgecolor=INK,
            linewidth=0.6,
            label="noted",
        )
        axes.set_yticks(list(places), [row.rule.replace("_", " ") for row in rows])
        _finish(axes, len(rows))

    return _drawn("reminders", what, 1.2 + 0.26 * max(len(rows), 3), 1, draw)


def _finish(axes: Axes, rows: int) -> None:
    """Put the legend above the bars, and keep a few bars from filling the whole height."""
    axes.set_ylim(-0.6, max(rows, 3) - 0.4)
    axes.legend(frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=3, borderaxespad=0)
