"""What the program says by itself: when, once, again, and never without a reason."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checkback.record.case import Case
from checkback.record.entry import (
    BODY,
    Act,
    Advice,
    AirKerma,
    CaseEnd,
    Closure,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    DoseArea,
    Drug,
    Entry,
    Fluoroscopy,
    Inflation,
    Infusion,
    Moment,
    Noted,
    Patient,
    StandBy,
    Withdrawal,
)
from checkback.watching.limits import Limits, Reminders
from checkback.watching.reminders import due
from strategies import bodies, cases, moments
from watched_room import CATALOGUE, LIMITS, Room

DEMO = Path(__file__).parents[2] / "demo"

GUIDE = Device(device="guide", french=Decimal(6), curve="JR4")
WIRE = Device(device="wire", type="workhorse")
SOFT = Device(device="balloon", type="semi-compliant", diameter_mm=Decimal("2.5"), length_mm=Decimal(15))
STENT = Device(device="stent", type="drug-eluting", diameter_mm=Decimal(3), length_mm=Decimal(18))
PATIENT = Patient(
    age_y=Decimal(60),
    sex="male",
    weight_kg=Decimal(70),
    creatinine_mg_dl=Decimal(1),
    antiplatelet_loaded=True,
)


def heparin(units: int = 6000) -> Drug:
    return Drug(drug="heparin", dose=Decimal(units), unit="U", route="intravenous")


def act(seconds: int) -> Act:
    return Act(act_s=Decimal(seconds))


def up(atm: int, seconds: int | None = None) -> Inflation:
    return Inflation(pressure_atm=Decimal(atm), duration_s=None if seconds is None else Decimal(seconds))


def total(ml: int) -> Contrast:
    return Contrast(volume_ml=Decimal(ml), counted="total")


def out(device: Any) -> DeviceEvent:
    return DeviceEvent(device=device, happening="out")


@pytest.fixture
def room() -> Room:
    return Room()


def with_rule(rule: str, **changes: Any) -> Limits:
    """Return the limits with one reminder changed, as a laboratory would."""
    changed = getattr(LIMITS.reminders, rule).model_copy(update=changes)
    return LIMITS.model_copy(update={"reminders": LIMITS.reminders.model_copy(update={rule: changed})})


# --- clotting ------------------------------------------------------------------------------------


def test_a_clotting_time_is_asked_for_after_heparin_and_then_each_half_hour(room: Room) -> None:
    # 5 min and 30 min: common practice, no source
    room.say(heparin())
    room.wait(7)
    room.say(act(300))
    room.wait(38)
    assert room.heard("act_due") == [5, 37, 42]
    assert dict(room.last("act_due").values) == {"minutes": 35}
    assert "common practice, no source" in room.last("act_due").source


def test_no_clotting_time_is_asked_for_without_heparin(room: Room) -> None:
    room.say(act(140))
    room.say(Drug(drug="bivalirudin", dose=Decimal(50), unit="mg"))
    room.say(Drug(drug="heparin", dose=Decimal(5000), unit="U", route="subcutaneous"))
    assert room.wait(40) == []


def test_the_weight_need_not_be_known(room: Room) -> None:
    room.say(Drug(drug="heparin", dose=Decimal(70), unit="U/kg"))
    assert room.wait(5) == ["act_due"]


def test_protamine_ends_it_and_heparin_begins_it_again(room: Room) -> None:
    room.say(heparin())
    room.wait(3)
    room.say(Drug(drug="protamine", dose=Decimal(30), unit="mg"))
    room.say(act(160))
    assert room.wait(40) == []
    room.say(heparin())
    assert room.wait(5) == ["act_due"]


def test_heparin_that_runs_in_keeps_it_going(room: Room) -> None:
    room.say(Infusion(action="started", drug="heparin", rate=Decimal(1000), unit="U/h"))
    room.wait(10)
    room.say(Infusion(action="changed", drug="heparin", rate=Decimal(1200), unit="U/h"))
    room.wait(21)
    assert room.heard("act_due") == [30], "a change of the rate is no new beginning"
    room.say(Infusion(action="stopped", drug="heparin"))
    assert room.wait(40) == []


def test_after_four_hours_nobody_asks_any_more(room: Room) -> None:
    # four hours: a setting of this program
    room.say(heparin(), ago_s=4 * 3600 - 60)
    assert room.wait(3) == ["act_due"]
    room.say(Noted(rule="act_due"))
    assert room.wait(31) == []


def test_noted_holds_for_the_interval(room: Room) -> None:
    room.say(heparin())
    room.wait(5)
    room.say(Noted(rule="act_due"))
    room.wait(31)
    assert room.heard("act_due") == [5, 35]


def test_an_answer_that_was_taken_back_is_none(room: Room) -> None:
    room.say(heparin())
    room.wait(5)
    noted = room.say(Noted(rule="act_due"))
    room.say(Withdrawal(target=noted.n))
    assert room.wait(5) == ["act_due"]


def test_an_answer_to_one_rule_is_none_to_another(room: Room) -> None:
    room.say(heparin())
    room.wait(5)
    room.say(Noted(rule="contrast_ahead"))
    assert room.wait(5) == ["act_due"]


def test_a_corrected_call_out_is_no_new_reason(room: Room) -> None:
    given = room.say(heparin(5000))
    room.wait(6)
    assert room.heard("act_due") == [5]
    room.say(heparin(6000), amends=given.n, at=given.at)
    room.wait(3)
    assert room.heard("act_due") == [5]
    room.wait(1)
    assert room.heard("act_due") == [5, 10]


def test_heparin_that_was_withdrawn_asks_for_nothing(room: Room) -> None:
    given = room.say(heparin())
    room.say(Withdrawal(target=given.n))
    assert room.wait(10) == []


def test_a_clotting_time_below_the_target_is_said_at_once(room: Room) -> None:
    # 250-300 s without, 200-250 s with a glycoprotein inhibitor (PMC4544474)
    room.say(act(130))
    room.say(heparin())
    room.say(act(249))
    assert room.wait() == ["act_below_target"]
    assert dict(room.last("act_below_target").values) == {"act_s": 249, "target_s": 250}
    assert room.last("act_below_target").source == "PubMed Central PMC4544474"
    room.say(act(250))
    assert room.wait() == []
    room.say(Patient(gp_inhibitor=True))
    room.say(act(210))
    assert room.wait() == []
    room.say(act(20))
    assert room.wait() == [], "twenty seconds is no clotting time"


def test_an_answered_low_clotting_time_is_history(room: Room) -> None:
    room.say(heparin())
    room.say(act(210))
    room.say(heparin(2000))
    assert room.wait() == []


def test_a_fall_below_the_target_is_said_ahead(room: Room) -> None:
    # log-linear through 300 s and 270 s ten minutes later: 250 s after 10 ln(300/250)/ln(300/270) = 17.3 min
    room.say(heparin())
    room.wait(2)
    room.say(act(300))
    room.wait(10)
    room.say(act(270))
    spoke = room.wait(15)
    assert spoke == ["act_falling"]
    assert room.heard("act_falling") == [pytest.approx(2 + 17.3 - 5, abs=0.02)]
    values = room.last("act_falling").values
    assert values["target_s"] == 250 and values["minutes"] == 4
    # two readings, each with an error of 5 %, do not tell much
    assert values["earliest_minutes"] == 0 and values.get("latest_minutes", 99) > 10


def test_a_bolus_outside_its_window(room: Room) -> None:
    # 70-100 U/kg without, 50-70 U/kg with a glycoprotein inhibitor (PMC4544474): 70 kg 4900-7000 U
    room.say(heparin(4800))
    assert room.wait() == [], "the weight is not known"
    room.say(PATIENT)
    assert room.wait() == ["bolus_window"]
    assert dict(room.last("bolus_window").values) == {
        "u_per_kg": 69,
        "low_u_per_kg": 70,
        "high_u_per_kg": 100,
    }
    room.say(heparin(1000))
    assert room.wait() == [], "a second bolus has no window"


@pytest.mark.parametrize(("units", "gp_inhibitor", "speaks"), [
    (4900, False, False), (7000, False, False), (7100, False, True), (4900, True, False), (7000, True, True),
])  # fmt: skip
def test_the_edges_of_the_window(room: Room, units: int, gp_inhibitor: bool, speaks: bool) -> None:
    room.say(PATIENT.model_copy(update={"gp_inhibitor": gp_inhibitor}))
    room.say(heparin(units))
    assert room.wait() == (["bolus_window"] if speaks else [])


def test_a_stent_without_an_antiplatelet(room: Room) -> None:
    room.say(STENT)
    assert room.wait(20) == ["antiplatelet_missing"]
    again = Room()
    again.say(Drug(drug="ticagrelor", dose=Decimal(180), unit="mg", route="oral"))
    again.say(STENT)
    assert again.wait() == []


# --- contrast ------------------------------------------------------------------------------------


def test_contrast_speaks_ahead_of_the_maximum(room: Room) -> None:
    # 70 kg, 2.0 mg/dL: 175 mL (Cigarroa 1989); without age and sex there is no clearance
    room.say(Patient(weight_kg=Decimal(70), creatinine_mg_dl=Decimal(2)))
    told = {}
    for ml in (100, 124, 126, 150, 156, 174, 176, 190):
        room.say(total(ml))
        if spoke := room.wait():
            told[ml] = (spoke, room.said[-1][1].values)
    assert told == {
        126: (["contrast_ahead"], {"left_ml": 49, "limit_ml": 175}),
        156: (["contrast_ahead"], {"left_ml": 19, "limit_ml": 175}),
        176: (["contrast_limit"], {"limit_ml": 175, "total_ml": 176}),
    }


def test_forty_millilitres_left(room: Room) -> None:
    room.say(Patient(weight_kg=Decimal(70), creatinine_mg_dl=Decimal(1)))
    room.say(total(200))
    room.say(Contrast(volume_ml=Decimal(60), counted="given"))
    assert room.wait() == ["contrast_ahead"]
    assert dict(room.last("contrast_ahead").values) == {"left_ml": 40, "limit_ml": 300}
    assert room.last("contrast_ahead").source.startswith("Cigarroa, Am J Med 1989;86:649")


def test_contrast_against_clearance_names_one_reached_and_one_ahead(room: Room) -> None:
    # 72 kg, 60 y, 1.333 mg/dL: 60 mL/min, so 120, 180 and 222 mL (Gurm 2011, Laskey 2007, from memory)
    room.say(
        Patient(age_y=Decimal(60), sex="male", weight_kg=Decimal(72), creatinine_mg_dl=Decimal("1.3333"))
    )
    told = {}
    for ml in (60, 80, 105, 125, 150, 200, 230):
        room.say(total(ml))
        before = len(room.said)
        room.wait()
        told[ml] = [
            (each.rule, each.values["times"]) for _, each in room.said[before:] if "ratio" in each.rule
        ]
    assert told == {
        60: [],
        80: [("ratio_ahead", 2)],
        105: [],
        125: [("ratio_reached", 2)],
        150: [("ratio_ahead", 3)],
        200: [("ratio_reached", 3), ("ratio_ahead", 3.7)],
        230: [("ratio_reached", 3.7)],
    }
    assert "from memory" in room.last("ratio_reached").source


def test_another_creatinine_is_another_limit(room: Room) -> None:
    room.say(Patient(weight_kg=Decimal(70), creatinine_mg_dl=Decimal(1)))
    room.say(total(260))
    assert room.wait() == ["contrast_ahead"]
    room.say(Patient(creatinine_mg_dl=Decimal("1.1")))
    assert room.wait() == [], "it is 300 mL still"
    room.say(Patient(creatinine_mg_dl=Decimal("1.2")))
    assert room.wait() == ["contrast_ahead"]
    assert room.last("contrast_ahead").values["limit_ml"] == 291


def test_a_figure_that_cannot_be_silences_only_what_needs_it(room: Room) -> None:
    room.say(Patient(age_y=Decimal(5), sex="male", weight_kg=Decimal(2), creatinine_mg_dl=Decimal("0.1")))
    room.say(total(400))
    room.say(AirKerma(air_kerma_mgy=Decimal(99_000)))
    room.say(heparin())
    assert room.wait(5) == ["act_due"]


# --- radiation -----------------------------------------------------------------------------------


def test_radiation_by_step(room: Room) -> None:
    # first 3 Gy, then each 1 Gy; substantial at 5 Gy (NCRP 168, SIR 2009, from memory)
    told = {}
    for mgy in (2900, 3100, 3900, 4990, 5000):
        room.say(AirKerma(air_kerma_mgy=Decimal(mgy)))
        if spoke := room.wait():
            told[mgy] = spoke
    assert told == {
        3100: ["air_kerma_notice"],
        4990: ["air_kerma_notice"],
        5000: ["dose_substantial", "air_kerma_notice"],
    }
    assert dict(room.last("air_kerma_notice").values) == {"air_kerma_gy": 5, "level_gy": 5}
    assert "NCRP Report 168" in room.last("air_kerma_notice").source


def test_several_steps_at_once_are_one_notice(room: Room) -> None:
    room.say(DoseArea(dose_area_gy_cm2=Decimal(450)))
    room.say(Fluoroscopy(fluoroscopy_min=Decimal(46)))
    assert room.wait() == ["dose_area_notice", "fluoroscopy_notice"]
    assert room.last("dose_area_notice").values["level_gy_cm2"] == 400
    assert room.last("fluoroscopy_notice").values["level_min"] == 45


# --- devices -------------------------------------------------------------------------------------


def test_a_pressure_above_the_rated_one_is_said_at_once(room: Room) -> None:
    room.say(SOFT)
    room.say(up(14))
    assert room.wait() == []
    room.say(up(15))
    assert room.wait() == ["pressure_over_rated"]
    said = room.last("pressure_over_rated")
    assert dict(said.values) == {
        "pressure_atm": 15, "rated_atm": 14, "device": "balloon", "type": "semi-compliant"
    }  # fmt: skip
    assert said.critical and said.source == "catalogue: semi-compliant balloon B"
    room.say(Deflation())
    room.say(up(16))
    assert room.wait() == ["pressure_over_rated"], "each of them"


def test_a_pressure_that_was_misheard_is_not_spoken_of(room: Room) -> None:
    room.say(SOFT)
    misheard = room.say(up(24))
    room.say(up(14), amends=misheard.n, at=misheard.at)
    assert room.wait() == []


def test_a_balloon_that_is_up_for_long(room: Room) -> None:
    # 60 s, then each 30 s: common practice, no source
    room.say(SOFT)
    room.say(up(12))
    room.wait(seconds=125)
    assert [60 * minutes for minutes in room.heard("inflation_long")] == [60, 90, 120]
    assert room.last("inflation_long").values["seconds"] == 120
    room.say(Deflation())
    assert room.wait(5) == []


def test_a_balloon_whose_time_was_called_out(room: Room) -> None:
    room.say(SOFT)
    room.say(up(12, seconds=90))
    room.wait(seconds=155)
    assert [60 * minutes for minutes in room.heard("inflation_long")] == [150]


def test_a_stent_whose_balloon_is_up_for_long(room: Room) -> None:
    room.say(PATIENT)
    room.say(STENT)
    room.say(Deployment(pressure_atm=Decimal(12)))
    assert room.wait(1) == ["inflation_long"]
    room.say(Deflation())
    assert room.wait(2) == []


def test_a_long_inflation_that_is_meant_to_be_is_noted(room: Room) -> None:
    room.say(SOFT)
    room.say(up(4))
    room.wait(seconds=60)
    room.say(Noted(rule="inflation_long"))
    room.wait(6)
    assert room.heard("inflation_long") == [1, 6, 6.5, 7], "the answer held for five minutes"


def test_after_the_end_only_what_is_not_accounted_for(room: Room) -> None:
    for body in (PATIENT, GUIDE, WIRE, SOFT, heparin(4000), total(290)):
        room.say(body)
    room.say(CaseEnd())
    assert room.wait() == ["devices_unaccounted"] * 3 + ["case_end_missing"]
    assert [each.values["device"] for _, each in room.said[:3]] == ["guide", "wire", "balloon"]
    room.say(out("balloon"))
    room.say(out("wire"))
    assert room.wait(2) == ["devices_unaccounted"]
    room.say(Noted(rule="devices_unaccounted"))
    assert room.wait(4) == []
    assert room.wait(1) == ["devices_unaccounted"], "until it is resolved"
    room.say(out("guide"))
    assert room.wait(30) == []


def test_a_delivery_balloon_that_is_in_is_called_so(room: Room) -> None:
    for body in (GUIDE, WIRE, STENT, Deployment(), Deflation()):
        room.say(body)
    room.say(CaseEnd())
    room.wait()
    devices = [each.values["device"] for _, each in room.said if each.rule == "devices_unaccounted"]
    assert devices == ["guide", "wire", "delivery balloon"]


def test_an_end_that_was_taken_back(room: Room) -> None:
    room.say(heparin())
    end = room.say(CaseEnd())
    assert room.wait(6) == ["case_end_missing"]
    room.say(Withdrawal(target=end.n))
    assert room.wait() == ["act_due"]


def test_what_is_missing_is_said_when_the_guide_stays_out(room: Room) -> None:
    room.say(GUIDE)
    room.wait(1)
    room.say(out("guide"))
    room.wait(2)
    room.say(GUIDE)
    assert room.wait(10) == [], "it was exchanged"
    room.say(out("guide"))
    room.say(Closure(method="compression band"))
    assert room.wait(10) == ["guide_out_missing"]
    assert room.last("guide_out_missing").values["missing"] == (
        "time_out access act flow contrast fluoroscopy air_kerma dose_area"
    )


# --- stand by, order, settings -------------------------------------------------------------------


def test_stand_by_holds_all_but_the_critical(room: Room) -> None:
    # ten minutes: a setting of this program
    room.say(heparin())
    room.wait(4)
    room.say(StandBy())
    room.say(SOFT)
    room.say(up(15))
    room.say(AirKerma(air_kerma_mgy=Decimal(3000)))
    assert room.wait(1.5) == ["pressure_over_rated", "inflation_long", "inflation_long"]
    room.say(Deflation())
    assert room.wait(8) == []
    assert room.wait(0.5) == ["act_due", "air_kerma_notice"], "held, not lost"


def test_the_critical_comes_first_and_then_by_importance(room: Room) -> None:
    room.say(PATIENT)
    room.say(AirKerma(air_kerma_mgy=Decimal(3000)))
    room.say(total(300))
    room.say(heparin(), ago_s=300)
    room.say(SOFT, ago_s=70)
    room.say(up(15), ago_s=61)
    assert room.wait() == [
        "pressure_over_rated", "inflation_long", "contrast_limit", "act_due", "ratio_reached", "air_kerma_notice"
    ]  # fmt: skip
    assert [each.critical for _, each in room.said] == [True, True, False, False, False, False]


def test_a_laboratory_makes_a_reminder_critical_or_turns_it_off() -> None:
    room = Room(rules=with_rule("act_due", critical=True))
    room.say(heparin())
    room.say(StandBy())
    assert room.wait(5) == ["act_due"]
    silent = Room(rules=with_rule("act_due", on=False))
    silent.say(heparin())
    assert silent.wait(10) == []


def test_every_reminder_has_its_times_and_its_source() -> None:
    reminders = [
        name for name in Reminders.model_fields if name not in ("stand_by", "act_watch", "falling_ahead")
    ]
    assert len(reminders) == 18
    critical = [name for name in reminders if getattr(LIMITS.reminders, name).critical]
    assert critical == ["pressure_over_rated", "inflation_long", "devices_unaccounted"]
    assert all(getattr(LIMITS.reminders, name).cited for name in reminders)


# --- clocks and restarts -------------------------------------------------------------------------


def test_what_fell_due_while_the_program_was_down_is_said_at_the_start(room: Room) -> None:
    room.say(heparin())
    room.wait(4)
    room.restart(down_s=600)
    assert room.wait(1) == ["act_due"]
    room.restart(down_s=60)
    assert room.wait(2) == []
    assert room.wait(1) == ["act_due"], "five minutes after it was said in the session before"


def test_answers_and_stand_by_survive_a_restart(room: Room) -> None:
    room.say(heparin())
    room.wait(5)
    room.say(Noted(rule="act_due"))
    room.restart(down_s=60)
    assert room.wait(20) == []
    room.say(StandBy())
    room.restart(down_s=60)
    room.wait(12)
    assert room.heard("act_due") == [5, 36], "noted at 5, stand-by from 26 to 36"


@pytest.mark.parametrize("step_s", [-3600, 3600])
def test_a_clock_that_is_set_changes_nothing(room: Room, step_s: int) -> None:
    room.say(heparin())
    room.wait(1)
    room.restart(down_s=60)
    room.wait(1)
    room.clock.step_wall(step_s)
    # nothing is written until the reminder itself
    room.wait(3)
    assert room.heard("act_due") == [5]


def test_a_correction_in_a_later_session_keeps_the_time(room: Room) -> None:
    room.wait(20)
    given = room.say(heparin(5000))
    room.wait(2)
    room.restart(down_s=60)
    room.say(heparin(6000), amends=given.n, at=given.at)
    room.wait(3)
    assert room.heard("act_due") == [25]


# --- the demo case, and any case -----------------------------------------------------------------


def test_the_demo_case_is_interrupted_once(room: Room) -> None:
    plan = tomllib.loads((DEMO / "plan.toml").read_text(encoding="utf-8"), parse_float=Decimal)
    lines = tomllib.loads((DEMO / "expected.toml").read_text(encoding="utf-8"), parse_float=Decimal)["line"]
    room.say(Patient.model_validate(plan), source="plan")
    by_words: dict[str, Entry] = {}
    for line in lines:
        room.wait(seconds=4)
        if "withdraws" in line:
            room.say(Withdrawal(target=by_words[line["withdraws"]].n))
        elif "entry" in line:
            amended = by_words.get(line.get("amends", ""))
            again = {} if amended is None else {"amends": amended.n, "at": amended.at}
            body = BODY.validate_python(line["entry"])
            by_words[line["words"]] = room.say(body, ago_s=line.get("ago_s", 0), **again)
    room.wait(10)
    # clearance 51 mL/min (Cockcroft-Gault): twice is 102 mL, three times 153 mL; nobody answers
    assert [(each.rule, each.values) for _, each in room.said] == [
        ("ratio_reached", {"times": 2, "total_ml": 140}),
        ("ratio_ahead", {"times": 3, "left_ml": 13}),
    ]
    assert len({at_s for at_s, _ in room.said}) == 1, "in one sentence"


TALK = st.one_of(
    st.sampled_from([GUIDE, WIRE, SOFT, STENT, PATIENT, Deflation(), Deployment(), StandBy(), CaseEnd()]),
    st.builds(heparin, st.sampled_from([0, 3000, 7000])),
    st.builds(act, st.integers(100, 400)),
    st.builds(up, st.integers(4, 26), st.none() | st.integers(0, 90)),
    st.builds(total, st.integers(0, 400)),
    st.builds(out, st.sampled_from(["guide", "wire", "balloon", "stent", None])),
    st.builds(AirKerma, air_kerma_mgy=st.integers(0, 9000).map(Decimal)),
    st.builds(Noted, rule=st.sampled_from(list(Reminders.model_fields))),
    bodies(),
)


@settings(deadline=None)
@given(st.data())
def test_whatever_happens_what_was_said_is_not_due_any_more(data: st.DataObject) -> None:
    room = Room()
    for _ in range(data.draw(st.integers(0, 15))):
        match data.draw(
            st.sampled_from(["say", "say", "say", "earlier", "correct", "withdraw", "restart", "set"])
        ):
            case "say":
                room.say(data.draw(TALK))
            case "earlier":
                room.say(data.draw(TALK), ago_s=data.draw(st.integers(0, 5000)))
            case "correct" if (old := room.case.last()) is not None:
                room.say(data.draw(TALK), amends=old.n, at=old.at)
            case "withdraw" if (old := room.case.last()) is not None:
                room.say(Withdrawal(target=old.n))
            case "restart":
                room.restart(down_s=data.draw(st.integers(0, 4000)))
            case "set":
                room.clock.step_wall(data.draw(st.sampled_from([-3600, 3600])))
        room.at_s += data.draw(st.integers(0, 4000))
        room.pass_second()
        said = room.due()
        assert len({(each.rule, each.step) for each in said}) == len(said)
        assert [each.critical for each in said] == sorted((each.critical for each in said), reverse=True)
        room.tick()
        assert room.due() == ()


@settings(deadline=None)
@given(cases(), moments, st.integers(1, 99))
def test_no_case_however_damaged_makes_it_fail(entries: list[Entry], now: Moment, session: int) -> None:
    case = Case(entries)
    said = due(case, LIMITS, CATALOGUE, now, session)
    for each in said:
        body = Advice(rule=each.rule, step=each.step, text="-", source=each.source, critical=each.critical)
        case.apply(
            Entry(
                n=len(case.entries) + 1, session=session, at=now, said=now, recorded=now, source="program",
                standing="stands", body=body,
            )
        )  # fmt: skip
    assert due(case, LIMITS, CATALOGUE, now, session) == ()
