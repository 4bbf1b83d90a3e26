"""The clock of an arrest against the tables of the published regimes, with interruptions."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from card_room import deck
from checkback.guiding.arrest import Arrest, arrest
from checkback.record.entry import CirculationReturned, Compressions, Drug, Rhythm, Shock
from watched_case import Told

VF = Rhythm(rhythm="ventricular fibrillation")
PEA = Rhythm(rhythm="pulseless electrical activity")
VT = Rhythm(rhythm="ventricular tachycardia")
ON, OFF = Compressions(action="started"), Compressions(action="stopped")
SHOCK = Shock(energy_j=Decimal(200))
BACK = CirculationReturned()
EPINEPHRINE = Drug(drug="epinephrine", dose=Decimal(1), unit="mg")


def amiodarone(dose: int) -> Drug:
    return Drug(drug="amiodarone", dose=Decimal(dose), unit="mg")


@dataclass
class Ward:
    """An arrest told by the second, asked by the second."""

    regime: str = "aha_2020"
    told: Told = field(default_factory=Told)
    log: list[tuple[float, str]] = field(default_factory=list)

    def say(self, second: float, body: Any, what: str = "") -> None:
        self.told.say(second / 60, body)
        if what:
            self.log.append((second, what))

    def at(self, second: float) -> Arrest:
        found = arrest(
            self.told.case, deck().regime(self.regime), self.told.moment(second / 60), self.told.session
        )
        assert found is not None
        return found

    def due(self, second: float) -> dict[str, float]:
        return {each.what: each.since_s for each in self.at(second).due}

    def ahead(self, second: float) -> dict[str, float]:
        return {each.what: each.since_s for each in self.at(second).ahead}

    def times(self, what: str) -> list[float]:
        return [second for second, each in self.log if each == what]


def test_with_no_arrest_there_is_no_clock() -> None:
    told = Told()
    told.say(1, VT)
    told.say(2, EPINEPHRINE)
    assert arrest(told.case, deck().regime("aha_2020"), told.moment(3), 1) is None


# What the team of the simulation does, and what the regimes say about it, each by hand: a shock at the
# start, compressions 5 s later, a look after two minutes of them, a shock 5 s after the look ...
# so that shock k comes at 130 k s.
PERIOD_S = 130
TABLES: dict[str, dict[str, list[float]]] = {
    # AHA 2020 algorithm: epinephrine after the second shock, then every 3 to 5 minutes; amiodarone after
    # the third and, going round again, the fifth
    "aha_2020": {"epinephrine": [130 + 180 * k for k in range(13)], "amiodarone": [260, 520]},
    # Resuscitation Council UK 2021: adrenaline after the third shock, amiodarone after the third and fifth
    "erc_2021": {"epinephrine": [260 + 180 * k for k in range(12)], "amiodarone": [260, 520]},
}


def simulate(regime: str) -> Ward:
    """Do for 40 minutes at once what is called due, looking every five seconds, with interruptions."""
    ward = Ward(regime)
    ward.say(0, VF)
    doses = iter([300, 150, 0])
    pauses = {300: 315, 1500: 1512}  # a mask falls off, the table is moved
    for second in range(0, 2401, 5):
        if second in pauses:
            ward.say(second, OFF, "pause")
        for end in pauses.values():
            if second - 5 < end <= second:
                ward.say(end, ON, "after pause")
        if second == 900:
            ward.told.restart()
        if second == 1200:
            ward.told.set_clock(second / 60, 3600.0)
        due = ward.due(second)
        if "rhythm check" in due:
            ward.say(second, OFF)
            ward.say(second, VF, "look")
            ward.log.append((second + 5, "shock is due"))
            continue
        if "shock" in due and (second, "shock is due") in [*ward.log, (0, "shock is due")]:
            ward.say(second, SHOCK, "shock")
        elif ("compressions" in due or ward.at(second).cycle_s is None) and second not in range(300, 315):
            ward.say(second, ON, "compressions")
        due = ward.due(second)
        if "epinephrine" in due:
            ward.say(second, EPINEPHRINE, "epinephrine")
        if "amiodarone" in due:
            dose = next(doses)
            assert f"{dose} mg" in next(d.text for d in ward.at(second).due if d.what == "amiodarone")
            ward.say(second, amiodarone(dose), "amiodarone")
    return ward


@pytest.mark.outside
@pytest.mark.parametrize("regime", TABLES)
def test_forty_minutes_against_the_tables(regime: str) -> None:
    ward = simulate(regime)
    shocks = ward.times("shock")
    assert shocks == [PERIOD_S * k for k in range(len(shocks))] and shocks[-1] > 2200
    for drug, expected in TABLES[regime].items():
        assert ward.times(drug) == expected, drug
    # a cycle is two minutes of the clock, whatever stops in between
    assert ward.times("look") == [125 + PERIOD_S * k for k in range(len(ward.times("look")))]
    end = ward.at(2400)
    assert end.elapsed_s == 2400
    assert end.hands_on_s < 2400 - 15 - 12
    assert len(end.shocks) == len(shocks)


@given(
    st.lists(st.tuples(st.integers(1, 40), st.sampled_from("v p s on off e a l r b".split())), max_size=60)
)
@settings(max_examples=80, deadline=None)
def test_no_order_of_entries_breaks_the_rules(course: list[tuple[int, str]]) -> None:
    said = {
        "v": VF, "p": PEA, "s": SHOCK, "on": ON, "off": OFF, "e": EPINEPHRINE, "a": amiodarone(300),
        "l": Drug(drug="lidocaine", dose=Decimal(100), unit="mg"), "r": Rhythm(rhythm="sinus rhythm"), "b": BACK,
    }  # fmt: skip
    for regime in TABLES:
        ward = Ward(regime)
        ward.say(0, VF)
        second = 0.0
        for step, what in course:
            second += step
            ward.say(second, said[what])
            found = ward.at(second)
            due = {each.what for each in found.due}
            if found.ended is not None:
                assert not due and not found.ahead
                continue
            assert 0 <= found.hands_on_s <= found.elapsed_s
            assert not {"amiodarone", "lidocaine"} <= {
                each.what for each in found.due if found.antiarrhythmics
            }
            if found.epinephrine and "epinephrine" in due:
                last = found.epinephrine[-1]
                since_s = ward.told.moment(second / 60).monotonic_s - last.at.monotonic_s
                assert since_s >= 180
            if not found.shockable:
                assert not {"shock", "amiodarone", "lidocaine"} & due
            assert all(
                each.since_s <= found.elapsed_s < later.since_s for each in found.due for later in found.ahead
            )


class TestCompressions:
    def test_they_are_due_until_they_begin(self) -> None:
        ward = Ward()
        ward.say(0, PEA)
        assert ward.due(1)["compressions"] == 0
        ward.say(4, ON)
        assert "compressions" not in ward.due(5)
        assert ward.ahead(5)["rhythm check"] == 124

    @pytest.mark.parametrize(("regime", "longest"), [("aha_2020", 10), ("erc_2021", 5)])
    def test_a_pause_is_called_out_when_it_is_too_long(self, regime: str, longest: int) -> None:
        ward = Ward(regime)
        ward.say(0, PEA)
        ward.say(5, ON)
        ward.say(60, OFF)
        assert "compressions" not in ward.due(60 + longest - 1)
        assert ward.due(60 + longest)["compressions"] == 60 + longest
        assert ward.at(80).paused_s == 20
        ward.say(80, ON)
        assert ward.at(100).hands_on_s == 55 + 20
        assert ward.ahead(100)["rhythm check"] == 125

    def test_a_tachycardia_called_out_shortly_before_was_the_arrest(self) -> None:
        ward = Ward()
        ward.say(0, VT)
        ward.say(10, SHOCK)
        ward.say(30, ON)
        found = ward.at(40)
        assert (found.elapsed_s, len(found.shocks), found.shockable) == (40, 1, True)
        later = Ward()
        later.say(0, VT)
        later.say(300, ON)
        assert (later.at(310).elapsed_s, later.at(310).rhythm) == (10, None)


class TestEpinephrine:
    def test_at_once_if_nothing_can_be_shocked(self) -> None:
        ward = Ward()
        ward.say(0, VF)
        ward.say(5, SHOCK)
        ward.say(10, ON)
        assert "epinephrine" not in ward.due(60)
        ward.say(130, PEA)
        assert ward.due(131)["epinephrine"] == 130

    def test_again_from_three_to_five_minutes(self) -> None:
        ward = Ward()
        ward.say(0, PEA)
        ward.say(30, EPINEPHRINE)
        (ahead,) = [each for each in ward.at(40).ahead if each.what == "epinephrine"]
        assert (ahead.since_s, ahead.until_s) == (210, 330)
        assert "epinephrine" not in ward.due(209) and "epinephrine" in ward.due(210)

    def test_three_stacked_shocks_count_as_one_where_the_regime_says_so(self) -> None:
        for regime, due in (("erc_2021", False), ("aha_2020", True)):
            ward = Ward(regime)
            ward.say(0, VF)
            for second in (5, 20, 35):
                ward.say(second, SHOCK)
            ward.say(40, ON)
            assert ("epinephrine" in ward.due(45)) == due
            ward.say(160, VF)
            # amiodarone after three shocks, however they were given
            assert ward.due(160)["amiodarone"] == 35
            ward.say(165, SHOCK)
            ward.say(290, VF)
            ward.say(295, SHOCK)
            assert "epinephrine" in ward.due(296)
            if regime == "erc_2021":
                assert ward.due(296)["epinephrine"] == 295

    def test_a_small_amount_is_shown_and_not_counted(self) -> None:
        ward = Ward()
        ward.say(0, PEA)
        ward.say(10, Drug(drug="epinephrine", dose=Decimal(100), unit="ug"))
        found = ward.at(20)
        assert (len(found.epinephrine), len(found.small_epinephrine)) == (0, 1)
        assert "epinephrine" in ward.due(20)

    def test_not_after_a_rhythm_that_may_have_a_pulse(self) -> None:
        ward = Ward()
        ward.say(0, PEA)
        ward.say(5, ON)
        ward.say(125, Rhythm(rhythm="sinus rhythm"))
        assert set(ward.due(130)) == {"pulse check"}
        ward.say(135, PEA)
        assert "epinephrine" in ward.due(136)


class TestAntiarrhythmics:
    def shocked(self, count: int, *, ward: Ward | None = None) -> Ward:
        ward = ward or Ward()
        ward.say(0, VF)
        for k in range(count):
            ward.say(10 + 120 * k, SHOCK)
            ward.say(15 + 120 * k, ON)
            ward.say(125 + 120 * k, VF)
        return ward

    def test_either_is_offered_and_the_one_begun_with_is_gone_on_with(self) -> None:
        ward = self.shocked(3)
        assert {"amiodarone", "lidocaine"} <= ward.due(400).keys()
        ward.say(400, Drug(drug="lidocaine", dose=Decimal(100), unit="mg"))
        assert not {"amiodarone", "lidocaine"} & ward.due(401).keys()
        ward.say(490, SHOCK)
        ward.say(610, SHOCK)
        assert "lidocaine" in ward.due(611) and "amiodarone" not in ward.due(611)

    def test_not_before_the_third_shock_and_not_a_third_dose(self) -> None:
        assert "amiodarone" not in self.shocked(2).due(300)
        ward = self.shocked(7)
        ward.say(900, amiodarone(300))
        ward.say(905, amiodarone(150))
        assert "amiodarone" not in ward.due(910)

    def test_a_second_arrest_counts_shocks_anew_and_doses_on(self) -> None:
        ward = self.shocked(3)
        ward.say(400, amiodarone(300))
        ward.say(420, BACK)
        assert ward.at(500).ended is not None and ward.at(500).elapsed_s == 420
        ward.say(600, VF)
        for second in (610, 730, 850):
            ward.say(second, SHOCK)
            ward.say(second + 100, VF)
        found = ward.at(960)
        assert (len(found.shocks), len(found.antiarrhythmics), found.elapsed_s) == (3, 1, 360)
        assert "amiodarone" not in ward.due(960)
        ward.say(970, SHOCK)
        ward.say(1080, VF)
        ward.say(1090, SHOCK)
        assert "150 mg" in next(d.text for d in ward.at(1091).due if d.what == "amiodarone")
