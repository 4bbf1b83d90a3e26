"""Spoken answers to questions about the case: clotting time, contrast, heparin, the balloon, what is in."""

from __future__ import annotations

from collections.abc import Callable

from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import Act, Deployment, Entry, Inflation, Moment
from checkback.watching.contrast import allowable
from checkback.watching.facts import Facts, gather, on_one_clock
from checkback.watching.limits import Limits


class Answers:
    """What is said when somebody asks how the case stands.

    Parameters
    ----------
    case : Case
    phrasing : Phrasing
    limits : Limits
    now : Moment
    session : int
        The session whose clock `now` was read from.
    show : callable
        Is given one line for the eye where an answer needs one.
    """

    def __init__(
        self,
        case: Case,
        phrasing: Phrasing,
        limits: Limits,
        now: Moment,
        session: int,
        show: Callable[[str], None],
    ) -> None:
        self._case = case
        self._phrasing = phrasing
        self._limits = limits
        self._now = now
        self._session = session
        self._show = show

    def last_act(self) -> str:
        """Return the last clotting time and how long ago it was."""
        entry = self._case.last_act()
        if entry is None:
            return self._phrasing.reply("act_none")
        assert isinstance(entry.body, Act)
        act = self._phrasing.number(entry.body.act_s)
        minutes = max(0, round(self._seconds_since(entry) / 60))
        return self._phrasing.reply("act_last", act=act, ago=self._phrasing.minutes_ago(minutes))

    def contrast_so_far(self) -> str:
        """Return the contrast so far."""
        total = self._case.contrast_ml()
        if total is None:
            return self._phrasing.reply("contrast_none")
        return self._phrasing.reply("contrast", volume=self._phrasing.number(total))

    def what_is_in(self) -> str:
        """Return the devices that are in."""
        inside = [self._phrasing.spoken(life.body) for life in self._case.inside()]
        if not inside:
            return self._phrasing.reply("in_none")
        return self._phrasing.reply("in", devices=self._phrasing.listed(inside))

    def contrast_left(self) -> str:
        """Return how much contrast is left, or what is lacking to tell."""
        facts = self._facts()
        if facts.patient.dialysis:
            return self._phrasing.reply("no_creatinine", volume=self._phrasing.number(int(facts.contrast_ml)))
        if facts.patient.weight_kg is None or facts.creatinine_mg_dl is None:
            if facts.creatinine_refused is not None:
                self._show(facts.creatinine_refused)
            lacking = "weight" if facts.patient.weight_kg is None else "creatinine"
            return self._phrasing.reply("not_known", what=self._phrasing.label("unknown", lacking))
        limit = allowable(
            float(facts.patient.weight_kg),
            facts.creatinine_mg_dl,
            self._limits.contrast,
            self._limits.plausible,
        )
        left = self._phrasing.number(int(limit.remaining_ml(facts.contrast_ml)))
        return self._phrasing.reply(
            "contrast_left", left=left, limit=self._phrasing.number(int(limit.limit_ml))
        )

    def heparin(self) -> str:
        """Return the heparin so far."""
        facts = self._facts()
        if facts.uncounted_heparin:
            # a dose by weight, and no weight: a total without it would be too low
            return self._phrasing.reply("not_known", what=self._phrasing.label("unknown", "weight"))
        if not facts.boluses:
            return self._phrasing.reply("heparin_infusion" if facts.heparin_infusion else "heparin_none")
        units = sum(bolus.dose_u for _, bolus in facts.boluses)
        values = {"units": self._phrasing.number(round(units))}
        if facts.patient.weight_kg is not None:
            values["per_kilo"] = self._phrasing.number(round(units / float(facts.patient.weight_kg)))
        return self._phrasing.reply("heparin", **values)

    def balloon_time(self) -> str:
        """Return how long the balloon has been up."""
        up = [life for life in self._case.inside() if life.inflated]
        if not up:
            return self._phrasing.reply("balloon_not_up")
        # the entry with which it went up: its last inflation, or the call-out that did both
        rising = [e for e in up[-1].happenings if isinstance(e.body, (Inflation, Deployment))]
        since = rising[-1] if rising else up[-1].entry
        seconds = self._seconds_since(since)
        return self._phrasing.reply("balloon_up", seconds=self._phrasing.number(max(0, round(seconds))))

    def _facts(self) -> Facts:
        return gather(self._case, self._now, self._session, self._limits.plausible)

    def _seconds_since(self, entry: Entry) -> float:
        return -60 * on_one_clock(self._case, self._now, self._session)(entry)
