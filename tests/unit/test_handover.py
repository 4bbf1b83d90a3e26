"""The hand-over note: only what is on record, each line with its entries, each advice with its source."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import HealthCheck, given, settings

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import (
    Access,
    Act,
    CaseStart,
    Closure,
    Device,
    DeviceEvent,
    Drug,
    Infusion,
    Patient,
    Perforation,
    Withdrawal,
)
from checkback.reporting.document import every_run
from checkback.reporting.documents.text import as_text
from checkback.reporting.handover import handover
from checkback.reporting.watch_points import DATA, When, due, load, open_accesses
from invented_case import CASE
from long_case import long_case
from papers import computed, numbers_behind, numbers_in
from strategies import cases
from watched_case import Told

GOLDEN = Path(__file__).parents[1] / "golden" / "handover.txt"


def note(case: Case) -> str:
    return as_text(handover(case, computed(case)))


def test_the_invented_case_word_for_word():
    # after a change that is meant: write note(Case(CASE)) to the file and read the difference
    assert note(Case(CASE)) == GOLDEN.read_text(encoding="utf-8")


def test_the_last_dose_and_all_doses_of_each_drug_and_route():
    told = Told()
    told.say(0, Drug(drug="heparin", dose=Decimal(5000), unit="U", route="intravenous"))
    told.say(30, Drug(drug="heparin", dose=Decimal(2000), unit="U", route="intravenous"))
    told.say(31, Drug(drug="nitroglycerin", dose=Decimal(200), unit="ug", route="intracoronary"))
    told.say(32, Drug(drug="nitroglycerin", dose=Decimal("0.4"), unit="mg", route="sublingual"))
    text = " ".join(note(told.case).split())
    assert "2000 units intravenous" in text and "7000 units intravenous in 2 doses" in text
    assert "200 mcg intracoronary in 1 dose; 0.4 mg sublingual in 1 dose" in text


def test_an_infusion_runs_until_it_is_said_to_be_stopped():
    told = Told()
    told.say(0, Infusion(action="started", drug="tirofiban", rate=Decimal("0.15"), unit="ug/kg/min"))
    assert "Tirofiban infusion at 0.15 mcg/kg/min since 09:00:00: not said to be stopped" in note(told.case)
    told.say(5, Infusion(action="stopped", drug="tirofiban"))
    assert "not said to be stopped" not in note(told.case)
    assert "Tirofiban infusion stopped at 09:05:00" in note(told.case)


def test_access_is_told_with_what_closed_it():
    told = Told()
    radial = told.say(0, Access(site="radial", side="right", sheath_french=Decimal(6)))
    femoral = told.say(1, Access(site="femoral", side="left", sheath_french=Decimal(7)))
    assert [e.n for e in open_accesses(told.case)] == [radial.n, femoral.n]
    told.say(50, Closure(method="manual compression"))
    assert len(open_accesses(told.case)) == 2, "with two accesses a closure without a site closes none"
    told.say(51, Closure(site="radial", side="right", method="compression band"))
    told.say(52, Closure(site="femoral", method="sheath left in"))
    text = note(told.case)
    assert "Right radial, 6 Fr sheath, from 09:00:00" in text and "compression band, 09:51:00" in text
    assert "sheath left in, 09:52:00" in text and "A sheath was left in" in text
    assert open_accesses(told.case) == []


def test_a_loading_before_the_case_is_not_given_a_time():
    told = Told()
    told.say(0, Patient(antiplatelet_loaded=True), source="plan")
    assert (
        "A P2Y12 inhibitor was loaded before the case; which, when and how much is not in the entries"
        in " ".join(note(told.case).split())
    )


def test_every_watch_point_is_known_and_has_a_source():
    data = load()
    names = {each.when for each in data.watch}
    assert names <= set(get_args(When))
    assert set(due(Case(), computed(Case()))) == set(get_args(When))
    assert all(each.source for each in data.watch)
    assert "Check against local protocol" in data.note


@pytest.mark.parametrize(
    ("body", "advice"),
    [
        (Perforation(type="III"), "tamponade"),
        (Access(site="femoral", side="right"), "retroperitoneal"),
        (Drug(drug="protamine", dose=Decimal(25), unit="mg"), "reversed with protamine"),
        (Drug(drug="midazolam", dose=Decimal(1), unit="mg"), "Sedation was given"),
        (Device(device="stent", deployed=True), "no P2Y12 inhibitor is on record"),
        (Device(device="pacing wire"), "pacing wire is in"),
    ],
)
def test_advice_is_due_with_its_entry_and_not_without(body, advice):
    told = Told()
    told.say(0, CaseStart())
    assert advice not in " ".join(note(told.case).split())
    entry = told.say(1, body)
    runs = list(every_run(handover(told.case, computed(told.case))))
    assert any(advice in run.text and run.cites == (entry.n,) for run in runs)
    told.withdraw(2, entry)
    assert advice not in " ".join(note(told.case).split())


def test_a_clotting_time_above_target_is_to_be_watched():
    told = Told()
    told.say(0, Act(act_s=Decimal(290)))
    assert "above its target" not in note(told.case)
    told.say(1, Act(act_s=Decimal(340)))
    assert "above its target" in note(told.case)


def test_a_device_that_is_left_is_told():
    told = Told()
    told.say(0, Device(device="wire", type="workhorse"))
    told.say(1, DeviceEvent(happening="left in place", device="wire"))
    text = "\n".join(run.text for run in every_run(handover(told.case)))
    assert "Workhorse wire: left in place (No. 1 of the device list)." in text
    assert "crushed or left in place on purpose: see the device list" in text


@pytest.mark.parametrize("case", [Case(CASE), long_case()], ids=["invented", "four hours"])
def test_every_number_is_in_a_cited_entry_or_was_computed(case):
    figures = computed(case)
    known = {n for each in figures.figures for n in numbers_in(f"{each.text} {each.source}")}
    known |= numbers_in(DATA.read_text(encoding="utf-8"))
    devices = {Decimal(i) for i in range(1, len(case.devices()) + 1)}
    for run in every_run(handover(case, figures)):
        stray = numbers_in(run.text) - numbers_behind(case, run.cites) - known - devices
        assert not stray, (run.text, stray)


def test_withdrawn_values_stand_nowhere():
    text = note(long_case())
    assert "metoprolol" not in text.lower() and "999" not in text


@given(cases())
@settings(max_examples=20, suppress_health_check=list(HealthCheck))
def test_no_random_case_cites_what_was_withdrawn(entries):
    case = Case(entries)
    if entries:
        gone = entries[0].model_copy(
            update={"n": len(entries) + 1, "amends": None, "standing": "stands", "body": Withdrawal(target=1)}
        )
        case.apply(gone)
    alive = {e.n for e in case.in_force()} | {e.n for e in case.questions()}
    assert {n for run in every_run(handover(case)) for n in run.cites} <= alive


def test_a_wrong_key_in_the_data_is_named(tmp_path):
    path = tmp_path / "handover.toml"
    path.write_text('note = "x"\n[[watch]]\nwhen = "weather"\ntext = "x"\nsource = "x"\n', encoding="utf-8")
    with pytest.raises(UserError, match=r"handover\.toml: line 3: key watch\.0\.when"):
        handover(Case(), data=path)
