"""What stands on the timeline: only what is in force, each thing at its time, with its entries."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from checkback.record.case import Case
from checkback.record.entry import (
    Act,
    CaseStart,
    Compressions,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Drug,
    Inflation,
    Infusion,
    Perforation,
    Withdrawal,
)
from checkback.reporting.cited import open_entries
from checkback.reporting.computed import Computed, Figured
from checkback.reporting.timeline import timeline
from checkback.reporting.timeline_items import Timeline
from invented_case import CASE
from long_case import long_case
from papers import computed
from strategies import cases
from watched_case import Told


def words(line: Timeline) -> str:
    """Return all words of a timeline, one item a line."""
    rows = [*line.drugs, *line.signs]
    moments = [*line.key_times, *line.complications, *line.rhythm, *line.unsettled, *line.clock_steps]
    moments += [each for row in rows for each in row.doses]
    texts = [f"{each.at_min:.2f} {each.text}" for each in moments]
    texts += [f"{bar.begin_min:.2f}-{bar.end_min:.2f} {bar.text} {bar.fate}" for bar in line.bars]
    texts += [f"{row.name} {row.unit}" for row in rows]
    texts += [f"{reading.at_min:.2f} {reading.value:g}" for reading in (*line.acts, *line.contrast)]
    return "\n".join(texts)


def cited(line: Timeline) -> set[int]:
    rows = [*line.drugs, *line.signs]
    items = [
        *line.key_times, *line.complications, *line.rhythm, *line.compressions, *line.bars, *line.acts,
        *line.contrast, *line.pressures, *line.rates, *line.unsettled, *line.clock_steps,
        *(up for bar in line.bars for up in bar.ups), *(d for row in rows for d in row.doses),
        *(s for row in rows for s in row.infusions),
    ]  # fmt: skip
    return {n for item in items for n in item.cites}


def test_the_invented_case_in_words():
    assert (
        words(timeline(Case(CASE)))
        == """\
0.00 start
0.33 time-out
0.67 access
5.00 first treatment
9.00 closure
9.33 end
2.00 sinus rhythm
6.00 and "so", on – das heißt nothing
8.00 moment marked
1.00 5000
2.33-9.33 guide 6 Fr JR4, not said to be out in
3.67-9.33 workhorse wire, not said to be out in
4.67-9.33 non-compliant balloon 2.5 × 12, 14 atm, not said to be out in
6.67-9.33 drug-eluting stent 2.75 × 28, 12 atm implanted
heparin units IV
4.33 281
8.33 120"""
    )


def test_a_balloon_shows_when_it_was_up_and_that_it_did_not_cross_at_first():
    told = Told()
    told.say(0, CaseStart())
    told.say(1, Device(device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(15)))
    told.say(2, DeviceEvent(happening="not across", device="balloon"))
    told.say(3, DeviceEvent(happening="across", device="balloon"))
    told.say(4, Inflation(pressure_atm=Decimal(12)))
    told.say(4.5, Deflation())
    told.say(5, Inflation(pressure_atm=Decimal(16), duration_s=Decimal(30)))
    told.say(8, DeviceEvent(happening="out", device="balloon"))
    (bar,) = timeline(told.case).bars
    assert bar.text == "balloon 2.5 × 15, 12, 16 atm, crossed at a later attempt"
    assert [(up.begin_min, up.end_min, up.pressure_atm) for up in bar.ups] == [(4, 4.5, 12), (5, 5.5, 16)]
    assert bar.failures == (2,)
    assert (bar.begin_min, bar.end_min, bar.open_end) == (1, 8, False)


def test_an_implant_stays_from_its_deployment_to_the_end():
    told = Told()
    told.say(0, CaseStart())
    told.say(2, Device(device="stent", diameter_mm=Decimal(3), length_mm=Decimal(18)))
    told.say(3, Deployment(pressure_atm=Decimal(12)))
    told.say(9, Act(act_s=Decimal(250)))
    (bar,) = timeline(told.case).bars
    assert (bar.stays_from_min, bar.end_min, bar.group) == (3, 9, "implant")


def test_infusions_are_stretches_at_one_rate():
    told = Told()
    told.say(0, Infusion(action="started", drug="norepinephrine", rate=Decimal(4), unit="ug/min"))
    told.say(5, Infusion(action="changed", drug="norepinephrine", rate=Decimal(8), unit="ug/min"))
    told.say(9, Infusion(action="stopped", drug="norepinephrine"))
    told.say(10, Infusion(action="started", drug="tirofiban"))
    first, second = timeline(told.case).drugs
    assert [(s.begin_min, s.end_min, s.text) for s in first.infusions] == [
        (0, 5, "4 mcg/min"),
        (5, 9, "8 mcg/min"),
    ]
    assert [(s.begin_min, s.end_min, s.text) for s in second.infusions] == [(10, None, "")]


def test_doses_by_another_route_or_in_another_unit_stand_in_another_row():
    told = Told()
    told.say(0, Drug(drug="nitroglycerin", dose=Decimal(200), unit="ug", route="intracoronary"))
    told.say(1, Drug(drug="nitroglycerin", dose=Decimal(100), unit="ug", route="intravenous"))
    told.say(2, Drug(drug="nitroglycerin", dose=Decimal(300), unit="ug", route="intracoronary"))
    rows = timeline(told.case).drugs
    assert [(row.unit, [d.text for d in row.doses]) for row in rows] == [
        ("mcg IC", ["200", "300"]),
        ("mcg IV", ["100"]),
    ]


def test_times_run_on_when_the_clock_was_set():
    told = Told()
    told.say(0, CaseStart())
    told.set_clock(5, 3600)
    told.say(10, Act(act_s=Decimal(250)))
    line = timeline(told.case)
    assert line.acts[0].at_min == 10
    assert [step.text for step in line.clock_steps] == ["clock set by 3600 s"]


def test_compressions_that_were_not_said_to_stop_go_on():
    told = Told()
    told.say(0, CaseStart())
    told.say(1, Compressions(action="started"))
    told.say(2, Perforation(type="III"))
    line = timeline(told.case)
    assert [(c.begin_min, c.end_min) for c in line.compressions] == [(1, None)]
    assert [each.text for each in line.grave_moments] == ["compressions", "perforation Ellis III"]


def test_limits_and_target_come_from_what_was_computed():
    told = Told()
    told.say(0, Contrast(volume_ml=Decimal(60), counted="given"))
    figures = Computed(
        (
            Figured("clotting", "ACT target", "250-300 s", "a source", low=250, high=300),
            Figured("contrast", "given", "60 mL", value=60),
            Figured("contrast", "maximum allowable", "290 mL", "one source", value=290.4),
            Figured(
                "contrast",
                "to the next step",
                "43 mL to 2 times the clearance (103 mL)",
                "other source",
                value=43.5,
            ),
        )
    )
    line = timeline(told.case, figures)
    assert line.act_target is not None and (line.act_target.low, line.act_target.high) == (250, 300)
    assert [(limit.name, limit.value, limit.source) for limit in line.contrast_limits] == [
        ("maximum allowable", 290.4, "one source"),
        ("2 times the clearance", 103.5, "other source"),
    ]


def test_the_steps_named_by_the_rules_are_found_under_their_names():
    line = timeline(long_case(), computed(long_case()))
    assert [limit.name for limit in line.contrast_limits] == [
        "maximum allowable",
        "3.7 times the creatinine clearance",
    ]


def test_what_was_withdrawn_or_amended_is_nowhere_and_what_is_questioned_is_marked():
    case = long_case()
    line = timeline(case)
    text = words(line)
    assert "metoprolol" not in text
    assert "999" not in text
    assert "271" in text
    assert [each.text for each in line.unsettled] == [
        "heparin two thousand",
        "moment marked",
        "tell the theatre next door we may come",
    ]
    asked = {n for each in line.unsettled for n in each.cites}
    assert asked == {entry.n for entry in open_entries(case)}
    assert {entry.n for entry in case.questions()} < asked


@given(cases(), st.data())
@settings(max_examples=25, suppress_health_check=list(HealthCheck))
def test_no_random_case_shows_what_was_withdrawn(entries, data):
    withdrawn = data.draw(st.sets(st.sampled_from([e.n for e in entries]))) if entries else set()
    last = entries[-1] if entries else None
    case = Case(entries)
    for n in sorted(withdrawn):
        assert last is not None
        number = max(e.n for e in case.entries) + 1
        case.apply(
            last.model_copy(
                update={"n": number, "amends": None, "standing": "stands", "body": Withdrawal(target=n)}
            )
        )
    line = timeline(case)
    in_force = {e.n for e in case.in_force()}
    asked = {e.n for e in open_entries(case)}
    assert cited(line) <= in_force | asked
    assert not cited(line) & withdrawn
    assert asked == {n for each in line.unsettled for n in each.cites}


@given(cases())
@settings(max_examples=25, suppress_health_check=list(HealthCheck))
def test_the_last_contrast_reading_is_the_total_of_the_case(entries):
    case = Case(entries)
    line = timeline(case)
    total = case.contrast_ml()
    assert (line.contrast[-1].value if line.contrast else None) == (
        None if total is None else pytest.approx(float(total))
    )
