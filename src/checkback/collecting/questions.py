"""The laboratory's questions over all cases, answered from the tables of a collection.

Every answer tells of how many cases or events it speaks: what is not on record in a case is not
guessed, and that case does not take part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from checkback.watching.limits import Limits

if TYPE_CHECKING:
    Tables = Mapping[str, pl.DataFrame]

MOST = 20
"""So many rows of what did not cross are told."""


@dataclass(frozen=True)
class Spread:
    """How a figure is spread over the cases that have it.

    Attributes
    ----------
    name, unit : str
    n : int
        Cases that have it.
    median, low, high : float or None
        Median and quartiles, linearly interpolated; None if there is no case.
    within : int or None
        Cases within the target; None if there is no target.
    target : str
        The target in words; empty if there is none.
    """

    name: str
    unit: str
    n: int
    median: float | None
    low: float | None
    high: float | None
    within: int | None = None
    target: str = ""


@dataclass(frozen=True)
class Share:
    """So many of so many."""

    name: str
    part: int | float
    whole: int | float
    note: str = ""

    @property
    def share(self) -> float | None:
        """Part of whole; None of nothing."""
        return self.part / self.whole if self.whole else None


@dataclass(frozen=True)
class Refused:
    """What would not cross, and what came next.

    Attributes
    ----------
    device : str
        What did not cross.
    next_device : str or None
        What the next attempt was made with; None: nothing.
    times, crossed, not_crossed : int
        How often; and of those how often the next one crossed, or did not; the rest was not said.
    """

    device: str
    next_device: str | None
    times: int
    crossed: int
    not_crossed: int


@dataclass(frozen=True)
class Answered:
    """How often a rule spoke up, how often that was noted, and after how many seconds (median)."""

    rule: str
    spoken: int
    answered: int
    median_s: float | None


@dataclass(frozen=True)
class Answers:
    """All answers.

    Attributes
    ----------
    cases, finished, unfinished, left_out : int
    spreads : tuple of Spread
    shares : tuple of Share
    refused : tuple of Refused
        The most frequent first, at most `MOST`.
    refused_times : int
        How often anything did not cross.
    advice : tuple of Answered
    """

    cases: int
    finished: int
    unfinished: int
    left_out: int
    spreads: tuple[Spread, ...]
    shares: tuple[Share, ...]
    refused: tuple[Refused, ...]
    refused_times: int
    advice: tuple[Answered, ...]

    def plain(self) -> dict[str, Any]:
        """Return the answers as JSON-ready values."""
        values = asdict(self)
        for share, plain in zip(self.shares, values["shares"], strict=True):
            plain["share"] = share.share
        return values


def answers(tables: Tables, limits: Limits) -> Answers:
    """Answer all questions.

    Totals (contrast, radiation, devices, duration) are told of finished cases only: an unfinished
    one has not all of them yet.

    Parameters
    ----------
    tables : mapping of str to polars.DataFrame
        As in `Collection`.
    limits : Limits
        Targets and steps, for the words.
    """
    cases = tables["cases"]
    finished = cases.filter("finished")
    return Answers(
        cases=cases.height + tables["left_out"].height,
        finished=finished.height,
        unfinished=cases.height - finished.height,
        left_out=tables["left_out"].height,
        spreads=tuple(_spreads(cases, finished, tables["lesions"], limits)),
        shares=tuple(_shares(cases, finished, limits)),
        refused=_refused(tables["refusals"]),
        refused_times=tables["refusals"].height,
        advice=_advice(tables["advice"]),
    )


def _spread(name: str, unit: str, values: pl.Series, within: int | None = None, target: str = "") -> Spread:
    known = values.drop_nulls()

    def at(share: float) -> float | None:
        found = known.cast(pl.Float64).quantile(share, "linear")
        return None if found is None else float(found)

    return Spread(name, unit, known.len(), at(0.5), at(0.25), at(0.75), within, target)


def _spreads(
    cases: pl.DataFrame, finished: pl.DataFrame, lesions: pl.DataFrame, limits: Limits
) -> list[Spread]:
    times = limits.times

    def in_time(column: str) -> int:
        return int(cases[column].sum() or 0)

    transfer = f"{times.contact_to_device_transfer.value:g} min after a transfer"
    of_finished = lesions.join(finished.select("case"), on="case", how="semi")
    return [
        _spread("door to device", "min", cases["door_to_device_min"], in_time("door_in_time"), f"{times.door_to_device.value:g} min"),
        _spread("first medical contact to device", "min", cases["contact_to_device_min"], in_time("contact_in_time"), f"{times.contact_to_device.value:g} min, {transfer}"),
        _spread("symptom onset to device", "min", cases["ischaemic_min"]),
        _spread("duration of the case", "min", finished["duration_min"]),
        _spread("contrast", "mL", finished["contrast_ml"]),
        _spread("contrast / its limit", "", finished["contrast_over_limit"]),
        _spread("contrast / clearance", "mL per mL/min", finished["contrast_over_clearance"]),
        _spread("devices in a case", "", finished["devices"]),
        _spread("stents in a case", "", finished["stents"]),
        _spread("devices in a lesion", "", of_finished["devices"]),
        _spread("air kerma", "mGy", finished["air_kerma_mgy"]),
        _spread("dose-area product", "Gy·cm²", finished["dose_area_gy_cm2"]),
        _spread("fluoroscopy", "min", finished["fluoroscopy_min"]),
    ]  # fmt: skip


def _shares(cases: pl.DataFrame, finished: pl.DataFrame, limits: Limits) -> list[Share]:
    def total(column: str) -> Any:
        return cases[column].sum()

    ratio, over = (
        finished["contrast_over_clearance"].drop_nulls(),
        finished["contrast_over_limit"].drop_nulls(),
    )
    act = limits.act
    return [
        Share(
            "clotting times taken in time", total("act_gaps_kept"), total("act_gaps"),
            f"due {act.first_after_bolus.value:g} min after heparin, then every {act.interval.value:g} min",
        ),
        Share(
            "minutes with the clotting time in its target", round(total("act_in_target_min"), 1), round(total("act_observed_min"), 1),
            "on a straight line between two readings with no heparin between them",
        ),
        Share("cases above the contrast limit", int((over > 1).sum()), over.len()),
        *(
            Share(f"cases at {step.value:g} times the clearance or more", int((ratio >= step.value).sum()), ratio.len())
            for step in limits.contrast.ratio_steps
        ),
        Share("reminders noted", total("answered"), total("advice")),
        Share("entries withdrawn or amended", total("corrected"), total("entries")),
    ]  # fmt: skip


def _refused(refusals: pl.DataFrame) -> tuple[Refused, ...]:
    grouped = (
        refusals.group_by("device", "next_device")
        .agg(
            pl.len().alias("times"),
            (pl.col("next_crossed") == True).sum().alias("crossed"),  # noqa: E712
            (pl.col("next_crossed") == False).sum().alias("not_crossed"),  # noqa: E712
        )
        .sort(["times", "device", "next_device"], descending=[True, False, False], nulls_last=True)
    )
    return tuple(Refused(*row) for row in grouped.head(MOST).iter_rows())


def _advice(advice: pl.DataFrame) -> tuple[Answered, ...]:
    grouped = (
        advice.group_by("rule")
        .agg(
            pl.len().alias("spoken"),
            pl.col("answered_s").count().alias("answered"),
            pl.col("answered_s").median().alias("median_s"),
        )
        .sort(["spoken", "rule"], descending=[True, False])
    )
    return tuple(Answered(*row) for row in grouped.iter_rows())
