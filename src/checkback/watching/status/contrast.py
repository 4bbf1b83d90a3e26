"""The section on contrast and the kidney."""

from __future__ import annotations

import math

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import (
    Contrast,
)
from checkback.watching.contrast import allowable, mehran, mehran_ahead, ratio_state
from checkback.watching.facts import Facts
from checkback.watching.limits import Limits
from checkback.watching.status.figures import (
    Given,
    clearance_now,
    down,
    figure_of,
    figures_of,
    not_on_record,
    number_figure,
    shown,
)
from checkback.watching.status.state import ContrastSection, Contribution, Figure, MehranSection

MORE_CONTRAST_ML = 50.0
"""The further volume for which the score is shown ahead."""


def contrast_section(case: Case, facts: Facts, limits: Limits) -> ContrastSection:
    """Return contrast given, its limits, and the score with what it is made of."""
    given, rules, plausible = Given(facts), limits.contrast, limits.plausible
    given_ml = facts.contrast_ml

    def total() -> Figure:
        if case.latest(Contrast) is None:
            raise UserError(not_on_record("contrast"))
        return number_figure(given_ml, unit="mL")

    def limit_and_left() -> tuple[Figure, Figure]:
        given.need_own_kidney("a maximum")
        given.need("weight", "creatinine")
        limit = allowable(given.weight_kg, given.creatinine_mg_dl, rules, plausible)
        left_ml = limit.remaining_ml(given_ml)
        over = "" if given_ml <= limit.limit_ml else f", {shown(given_ml - limit.limit_ml)} mL above it"
        return (
            Figure(text=f"{down(limit.limit_ml)} mL", value=limit.limit_ml, unit="mL", source=limit.source),
            Figure(text=f"{down(left_ml)} mL{over}", value=left_ml, unit="mL", source=limit.source),
        )

    def steps() -> tuple[Figure, Figure, Figure]:
        cleared, source = clearance_now(given, limits)
        found = ratio_state(given_ml, cleared, rules)
        reached, ahead = found.reached, found.ahead
        return (
            Figure(
                text=f"{math.floor(found.ratio * 100 + 1e-9) / 100:.2f}",
                value=found.ratio,
                unit="mL per mL/min",
                source=source,
            ),
            Figure(
                text="none" if reached is None else f"{reached.name} ({down(reached.limit_ml)} mL)",
                value=None if reached is None else reached.limit_ml,
                unit="mL",
                source=found.source if reached is None else reached.source,
            ),
            Figure(missing="the last step is reached")
            if ahead is None or found.to_next_ml is None
            else Figure(
                text=f"{down(found.to_next_ml)} mL to {ahead.name} ({down(ahead.limit_ml)} mL)",
                value=found.to_next_ml,
                unit="mL",
                source=ahead.source,
            ),
        )

    allowed, left = figures_of(2, limit_and_left)
    ratio, reached, ahead = figures_of(3, steps)
    return ContrastSection(
        total=figure_of(total),
        allowable=allowed,
        left=left,
        ratio=ratio,
        step_reached=reached,
        to_next_step=ahead,
        mehran=_mehran(facts, limits),
    )


def _mehran(facts: Facts, limits: Limits) -> MehranSection:
    rules, plausible, given_ml = limits.mehran, limits.plausible, facts.contrast_ml
    try:
        Given(facts).need_own_kidney("a risk score")
        now = mehran(facts.risk, given_ml, rules, plausible)
        ((_, ahead),) = mehran_ahead(facts.risk, given_ml, rules, plausible, (MORE_CONTRAST_ML,))
    except UserError as error:
        without = Figure(missing=str(error))
        return MehranSection(score=without, risk=without, ahead=without)
    least = "at least " if now.unknown else ""
    because = ", ".join(f"{each.name} {each.points}" for each in now.findings)
    unknown = f"; not known: {', '.join(now.unknown)}" if now.unknown else ""
    return MehranSection(
        score=Figure(
            text=f"{least}{_points(now.points)}{': ' if because else ''}{because}{unknown}",
            value=now.points,
            unit="points",
            source=now.source,
        ),
        contributions=tuple(Contribution(name=f.name, points=f.points) for f in now.findings),
        unknown=now.unknown,
        risk=Figure(
            text=f"{least}nephropathy {shown(now.nephropathy_percent)} %, dialysis {shown(now.dialysis_percent, 2)} %",
            value=now.nephropathy_percent,
            unit="%",
            source=now.source,
        ),
        ahead=Figure(
            text=f"{least}{_points(ahead.points)}", value=ahead.points, unit="points", source=ahead.source
        ),
    )


def _points(points: int) -> str:
    return f"{points} {'point' if points == 1 else 'points'}"
