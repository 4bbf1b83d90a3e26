"""The section on heparin and the clotting time."""

from __future__ import annotations

import math
from typing import Literal

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import (
    Act,
    Entry,
    Infusion,
)
from checkback.watching.anticoagulation import (
    NotEstimated,
    Protamine,
    act_fall,
    act_target,
    bolus_check,
    heparin_left,
    heparin_total,
    protamine,
    protamine_for_left,
)
from checkback.watching.facts import Facts
from checkback.watching.limits import Limits
from checkback.watching.limits import check as check_plausible
from checkback.watching.status.doses import label_doses
from checkback.watching.status.figures import Given, figure_of, from_now, number_figure, shown, span
from checkback.watching.status.state import ClottingSection, Figure


def clotting_section(case: Case, facts: Facts, limits: Limits) -> ClottingSection:
    """Return heparin, clotting times and what follows from them."""
    given, plausible = Given(facts), limits.plausible
    target = act_target(facts.gp_inhibitor, limits.act)
    with_gp = " with a glycoprotein inhibitor" if facts.gp_inhibitor else ""
    boluses = [bolus for _, bolus in facts.boluses]
    last = max(facts.acts, key=lambda act: act[1].at_min, default=None)

    def counted() -> None:
        if facts.uncounted_heparin:
            body = facts.uncounted_heparin[0].body
            entry = f"the heparin of entry {facts.uncounted_heparin[0].n}"
            by_weight = getattr(body, "unit", "") == "U/kg"
            why = "is by weight, and weight is not on record" if by_weight else "is not in units"
            raise UserError(f"{entry} {why}")
        if not boluses:
            raise UserError("no bolus of heparin is on record")

    def heparin() -> Figure:
        counted()
        infused = any(isinstance(e.body, Infusion) and e.body.drug == "heparin" for e in case.in_force())
        beside = ", infusion not counted" if infused else ""
        total_u = math.fsum(bolus.dose_u for bolus in boluses)
        return Figure(text=f"{shown(total_u)} U{beside}", value=total_u, unit="U")

    def per_kg() -> Figure:
        counted()
        found = heparin_total(boluses, given.weight_kg, plausible)
        return number_figure(found.total_u_per_kg, found.source, unit="U/kg")

    def first_bolus() -> Figure:
        counted()
        first = min(boluses, key=lambda bolus: bolus.at_min)
        found = bolus_check(first.dose_u, given.weight_kg, facts.gp_inhibitor, limits.heparin, plausible)
        window = f"{shown(found.low_u)}-{shown(found.high_u)} U"
        return Figure(
            text=f"{shown(first.dose_u)} U, {shown(found.u_per_kg)} U/kg: {found.verdict} {window}{with_gp}",
            value=found.u_per_kg,
            low=found.low_u / given.weight_kg,
            high=found.high_u / given.weight_kg,
            unit="U/kg",
            source=found.source,
        )

    def last_act() -> Figure:
        if last is None:
            raise UserError("no clotting time is on record")
        act_s = last[1].act_s
        check_plausible("clotting time", act_s, plausible.act)
        site = _site(last[0])
        side = "below" if act_s < target.low_s else "above" if act_s > target.high_s else "within"
        return Figure(
            text=f"{shown(act_s)} s{'' if site is None else f' from the {_SITES[site]}'}, {side} the target",
            value=act_s,
            unit="s",
        )

    def act_age() -> Figure:
        if last is None:
            raise UserError("no clotting time is on record")
        age_min = max(0.0, -last[1].at_min)
        return Figure(text=span(age_min * 60), value=age_min, unit="min")

    def not_reversed() -> None:
        counted()
        if facts.protamine:
            # how much heparin it has bound no rule here tells, and a figure without it is too high
            raise UserError(
                f"protamine is on record (entry {facts.protamine[-1][0].n}): not computed after it"
            )

    def left() -> Figure:
        not_reversed()
        found = heparin_left(boluses, 0.0, given.weight_kg, limits.heparin, plausible)
        half = "" if found.half_life_min is None else f", half-life {shown(found.half_life_min, 0)} min"
        return Figure(
            text=f"{shown(found.remaining_u, 0)} U{half}",
            value=found.remaining_u,
            unit="U",
            source=found.source,
        )

    def reversal() -> Figure:
        not_reversed()
        return _protamine(protamine(boluses, 0.0, limits.protamine), limits)

    def reversal_of_left() -> Figure:
        not_reversed()
        rest = heparin_left(boluses, 0.0, given.weight_kg, limits.heparin, plausible)
        return _protamine(protamine_for_left(rest, limits.protamine), limits)

    return ClottingSection(
        heparin=figure_of(heparin),
        heparin_per_kg=figure_of(per_kg),
        first_bolus=figure_of(first_bolus),
        act=figure_of(last_act),
        act_site=None if last is None else _site(last[0]),
        act_age=figure_of(act_age),
        target=Figure(
            text=f"{shown(target.low_s)}-{shown(target.high_s)} s{with_gp}",
            low=target.low_s,
            high=target.high_s,
            unit="s",
            source=target.source,
        ),
        below_target=figure_of(lambda: _below_target(facts, limits, target.low_s)),
        heparin_left=figure_of(left),
        protamine=figure_of(reversal),
        protamine_for_left=figure_of(reversal_of_left),
        doses=label_doses(given, limits),
    )


def _protamine(found: Protamine, limits: Limits) -> Figure:
    low, high = shown(found.low_mg), shown(found.high_mg)
    window = low if low == high else f"{low}-{high}"
    capped = f" (capped at {shown(limits.protamine.cap.value)} mg)" if found.capped else ""
    return Figure(
        text=f"{window} mg{capped} over at least {shown(found.over_min)} min",
        low=found.low_mg,
        high=found.high_mg,
        unit="mg",
        source=found.source,
    )


_SITES = {"guide": "guide", "sheath": "sheath", "venous": "vein"}


def _site(entry: Entry) -> Literal["guide", "sheath", "venous"] | None:
    return entry.body.site if isinstance(entry.body, Act) else None


def _below_target(facts: Facts, limits: Limits, target_s: float) -> Figure:
    """Return in how many minutes the clotting time falls below its target."""
    if facts.heparin_last_min is None:
        raise UserError("no heparin is on record")
    if any(at_min > facts.heparin_last_min for _, at_min in facts.protamine):
        return Figure(missing="not estimated: protamine was given since the last heparin")
    found = act_fall(
        [act for _, act in facts.acts],
        facts.heparin_last_min,
        target_s,
        limits.act,
        limits.plausible,
        baseline_s=facts.baseline_s,
        heparin_infusion=facts.heparin_infusion,
    )
    if isinstance(found, NotEstimated):
        return Figure(missing=f"not estimated: {found.reason}", source=found.source)
    latest = f"{shown(found.latest_min, 0)} min" if found.latest_min is not None else "not foreseeable"
    return Figure(
        text=f"{from_now(found.at_min)} (earliest {shown(found.earliest_min, 0)} min, latest {latest}; "
        f"{found.readings} readings)",
        value=found.at_min,
        low=found.earliest_min,
        high=found.latest_min,
        unit="min",
        source=found.source,
    )
