"""The closed loop on a real journal, with a hand-set clock: what is said, what is written, what is asked."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from io import StringIO
from pathlib import Path

import numpy as np
import pytest

from checkback.call_outs import CallOut
from checkback.guiding.arrest import RULES as ARREST_RULES
from checkback.hearing.recogniser import Heard, Hypothesis, Utterance
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.loop import Loop, Outcome
from checkback.record.clock import HandClock
from checkback.record.entry import (
    Act,
    Advice,
    ClockStep,
    Contrast,
    Deflation,
    Device,
    Drug,
    Entry,
    Inflation,
    Mark,
    Noted,
    Session,
)
from checkback.record.journal import Journal, verify
from checkback.speaking.voice import Sentence, Urgency
from checkback.speaking.voices import TextVoice
from checkback.watching.limits import load as load_limits
from checkback.watching.reminders import RULES

GRAMMARS = Path(__file__).parents[2] / "grammars"
LIMITS = load_limits(GRAMMARS)
START = datetime(2026, 3, 2, 14, 22, 0, tzinfo=timezone(timedelta(hours=1)))


class Room:
    """A loop, its clock, and what its voice said."""

    def __init__(self, book: Phrasebook, folder: Path, start: datetime = START) -> None:
        self.book = book
        self.clock = HandClock(start)
        self.said = StringIO()
        self.shown: list[str] = []
        self.folder = folder
        self.open()

    def open(self) -> None:
        self.journal = Journal.open(self.folder)
        self.loop = Loop(
            self.book,
            self.journal,
            self.clock,
            TextVoice(self.said, mark=""),
            limits=LIMITS,
            recogniser="test",
            program_version="0",
            show=self.shown.append,
        )

    def recalled(self) -> str | None:
        """Return what becomes of the last thing said if that was cut off and another check-back comes."""
        return self.loop.recall(self.last_said)

    def hear(
        self,
        words: str,
        *,
        at_s: float | None = None,
        held: bool = False,
        fits: bool = True,
        clipped: bool = False,
    ) -> Outcome:
        """Let the room hear `words`; speech lasts two seconds and ends now."""
        now = self.clock.now().monotonic_s if at_s is None else at_s
        self.clock.set(now + 2.0)
        utterance = Utterance(np.zeros(0, dtype=np.int16), now, now + 2.0, held, clipped)
        return self.loop.heard(Heard(utterance, "test", (Hypothesis(words, -10.0, fits),)))

    @property
    def last_said(self) -> str:
        return self.said.getvalue().splitlines()[-1]


def typed_twelve_hours_later(book: Phrasebook, folder: Path, start: datetime, line: str) -> Entry:
    room = Room(book, folder / "long", start)
    room.clock.set(12.5 * 3600)
    (entry,) = room.loop.typed(line).entries
    room.journal.close()
    return entry


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    return Phrasebook.load(GRAMMARS)


@pytest.fixture
def room(book: Phrasebook, tmp_path: Path) -> Iterator[Room]:
    room = Room(book, tmp_path / "case")
    yield room
    room.journal.close()


def test_a_call_out_is_on_disk_before_it_is_said_back(book: Phrasebook, tmp_path: Path) -> None:
    on_disk_when_spoken: list[int] = []

    class Witness(TextVoice):
        def say(self, text: str, *_: object, **__: object) -> None:
            on_disk_when_spoken.append(len(Journal.read(tmp_path / "case")))
            super().say(text)

    journal = Journal.open(tmp_path / "case")
    clock = HandClock(START)
    loop = Loop(
        book, journal, clock, Witness(StringIO()), limits=LIMITS, recogniser="test", program_version="0"
    )
    loop.typed("balloon 2.5 x 12, 14 atm")
    loop.typed("balloon down")
    journal.close()
    assert on_disk_when_spoken == [2, 3]


def test_an_entry_carries_when_it_was_said_and_when_it_was_recorded(room: Room) -> None:
    outcome = room.hear("balloon two five by twelve fourteen atmospheres", at_s=30.0)
    (entry,) = outcome.entries
    assert outcome.result == "accepted"
    assert entry.body == Device(
        device="balloon",
        diameter_mm=Decimal("2.5"),
        length_mm=Decimal(12),
        stocked=True,
        pressure_atm=Decimal(14),
    )
    assert entry.said.wall == START + timedelta(seconds=30)
    assert (entry.said.monotonic_s, entry.recorded.monotonic_s) == (30.0, 32.0)
    assert entry.at == entry.said
    assert room.last_said == "balloon two point five by twelve, one four, fourteen atmospheres"


def test_each_start_of_the_program_is_a_session(room: Room) -> None:
    assert isinstance(room.journal.entries[0].body, Session)
    room.hear("start the case")
    room.journal.close()
    room.open()
    room.hear("time out done")
    assert [e.session for e in room.journal.entries] == [1, 1, 2, 2]


class TestTimeShift:
    def test_minutes_ago(self, room: Room) -> None:
        (entry,) = room.hear("two minutes ago heparin five thousand units", at_s=300.0).entries
        assert entry.at.wall == START + timedelta(seconds=180)
        assert entry.at.monotonic_s == 180.0
        assert entry.said.monotonic_s == 300.0
        assert room.last_said == "heparin, five thousand units, time one four two five"

    @pytest.mark.parametrize("spoken", ["at fourteen twenty", "at two twenty", "at one four two zero"])
    def test_at_a_time_of_day(self, room: Room, spoken: str) -> None:
        (entry,) = room.hear(f"{spoken} a c t two eighty", at_s=600.0).entries
        assert entry.at.wall == START.replace(minute=20)

    @pytest.mark.parametrize(("typed", "hour"), [("at 03:10", 3), ("at 3:10", 15), ("at 15:10", 15)])
    def test_a_typed_leading_zero_is_never_the_afternoon(
        self, book: Phrasebook, tmp_path: Path, typed: str, hour: int
    ) -> None:
        # ISO 8601: hours have two digits, on a clock of 24
        start = START.replace(hour=3, minute=5)
        entry = typed_twelve_hours_later(book, tmp_path, start, f"{typed} act 280")
        assert entry.at.wall == start.replace(hour=hour, minute=10)

    @pytest.mark.parametrize(("time", "hour"), [("2:30", 14), ("02:30", 2), ("14:30", 14)])
    def test_a_leading_zero_elsewhere_in_the_line_tells_nothing_of_its_time(
        self, book: Phrasebook, tmp_path: Path, time: str, hour: int
    ) -> None:
        start = START.replace(hour=2, minute=20)
        entry = typed_twelve_hours_later(book, tmp_path, start, f"at {time} balloon 3 by 08:10")
        assert isinstance(entry.body, Device) and entry.body.pressure_atm == 10
        assert entry.at.wall == start.replace(hour=hour, minute=30)

    def test_before_midnight_is_yesterday(self, book: Phrasebook, tmp_path: Path) -> None:
        start = START.replace(hour=0, minute=10)
        room = Room(book, tmp_path / "night", start)
        (entry,) = room.hear("at twenty three fifty time out").entries
        room.journal.close()
        assert entry.at.wall == start - timedelta(minutes=20)
        assert entry.at.monotonic_s == pytest.approx(-1200)

    def test_before_the_night_when_summer_time_begins(
        self, book: Phrasebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        # clocks went from 02:00 to 03:00 on 29 March 2026
        with monkeypatch.context() as patch:
            patch.setenv("TZ", "Europe/Berlin")
            time.tzset()
            start = datetime(2026, 3, 29, 3, 10).astimezone()
            room = Room(book, tmp_path / "night", start)
            (entry,) = room.hear("at one fifty time out").entries
            room.journal.close()
        time.tzset()
        assert (start - entry.at.wall, entry.at.wall.hour) == (timedelta(minutes=20), 1)
        assert entry.at.monotonic_s == pytest.approx(-1200)
        assert "one five zero" in room.last_said

    def test_long_before_the_record_began_is_asked(self, room: Room) -> None:
        outcome = room.hear("at eight hundred heparin two thousand")
        assert (outcome.result, outcome.reason) == ("asked", "long_before")
        assert room.last_said.startswith(
            "heparin, two thousand units, time zero eight zero zero, is long before"
        )


class TestQuestions:
    def test_two_readings_are_asked_and_kept_on_disk(self, room: Room) -> None:
        outcome = room.hear("contrast forty")
        (entry,) = outcome.entries
        assert outcome.result == "asked"
        assert entry.standing == "questioned"
        assert [a.body.counted for a in entry.alternatives if isinstance(a.body, Contrast)] == [
            "given",
            "total",
        ]
        assert room.loop.case.contrast_ml() is None
        assert "option one, contrast given" in room.last_said
        assert Journal.read(room.folder)[-1] == entry

    @pytest.mark.parametrize(
        ("answer", "counted"),
        [("option two", "total"), ("option one", "given"), ("contrast total forty", "total")],
    )
    def test_it_is_settled_by_an_option_or_the_full_call_out(
        self, room: Room, answer: str, counted: str
    ) -> None:
        question = room.hear("contrast forty", at_s=10.0).entries[0]
        outcome = room.hear(answer)
        assert outcome.entries[0].amends == question.n
        assert outcome.entries[0].at == question.at
        assert outcome.entries[0].body == Contrast(volume_ml=Decimal(40), counted=counted)
        assert room.loop.case.questions() == []

    def test_affirm_alone_does_not_choose_between_two(self, room: Room) -> None:
        room.hear("contrast forty")
        assert room.hear("affirm").result == "asked"
        assert len(room.loop.case.questions()) == 1

    def test_negative_drops_it(self, room: Room) -> None:
        question = room.hear("contrast forty").entries[0]
        room.hear("negative")
        assert room.last_said == "not recorded"
        assert room.loop.case.standing(question)[0] == "withdrawn"

    def test_a_size_that_is_not_stocked_is_confirmed(self, room: Room) -> None:
        outcome = room.hear("unlisted stent two seven five by thirteen")
        assert outcome.result == "asked"
        assert room.last_said.startswith("not in stock: stent two point seven five by one three, thirteen")
        assert room.loop.case.inside() == []
        room.hear("affirm")
        (life,) = room.loop.case.inside()
        assert life.body.stocked is False

    def test_a_deflation_with_nothing_up_is_questioned(self, room: Room) -> None:
        assert room.hear("balloon down").result == "asked"
        assert room.last_said == "no balloon is up. down, affirm?"

    def test_stand_by_parks_the_question(self, room: Room) -> None:
        room.hear("contrast forty")
        room.hear("stand by")
        assert room.hear("affirm").reason == "nothing_asked"
        assert len(room.loop.case.questions()) == 1

    def test_a_new_event_leaves_the_question_open(self, room: Room) -> None:
        room.hear("contrast forty")
        assert room.hear("heparin five thousand units").result == "accepted"
        assert len(room.loop.case.questions()) == 1
        assert "questions" in room.loop.case.missing()


class TestCorrection:
    def test_a_whole_call_out_replaces_the_last_one(self, room: Room) -> None:
        wrong = room.hear("balloon two five by twelve", at_s=60.0).entries[0]
        right = room.hear("correction balloon two five by fifteen").entries[0]
        assert room.loop.case.standing(wrong) == ("amended", right.n)
        assert right.at == wrong.at
        assert room.last_said == "correction, balloon two point five by one five, fifteen"
        assert [life.body.length_mm for life in room.loop.case.inside()] == [15]

    def test_a_fragment_changes_one_slot(self, room: Room) -> None:
        room.hear("balloon two five by twelve fourteen atmospheres")
        right = room.hear("correction sixteen atmospheres").entries[0]
        assert isinstance(right.body, Device)
        assert (right.body.pressure_atm, right.body.length_mm) == (16, 12)

    def test_a_corrected_size_that_is_not_stocked_is_confirmed(self, room: Room) -> None:
        room.hear("balloon two five by twelve")
        assert room.hear("correction two five by thirteen").result == "asked"
        (life,) = room.loop.case.inside()
        assert life.body.length_mm == 12
        room.hear("affirm")
        (life,) = room.loop.case.inside()
        assert (life.body.length_mm, life.body.stocked) == (13, False)

    @pytest.mark.parametrize("order", [(0, 1), (1, 0)])
    def test_a_reading_that_does_not_fit_is_not_spoken_of_where_another_does(
        self, room: Room, order: tuple[int, int]
    ) -> None:
        room.hear("balloon two five by twelve", held=True)
        # no sentence of this phrasebook is so, but one of a laboratory's own may be
        reader = Reader(room.book)
        fits, does_not = (
            reader.read(f"correction {said}") for said in ("three oh by twelve", "fifty percent")
        )
        before = len(room.said.getvalue().splitlines())
        both = (*fits, *does_not)
        call = CallOut("correction", room.clock.now(), "typed")
        outcome = room.loop._take(call, tuple(both[n] for n in order))
        assert outcome.result == "accepted" and outcome.entries[0].body.diameter_mm == 3
        assert room.said.getvalue().splitlines()[before:] == [outcome.reply]
        (complaint,) = does_not
        assert room.loop._take(call, (complaint,)).reason == "does_not_fit"

    def test_a_fragment_that_does_not_fit_changes_nothing(self, room: Room) -> None:
        room.hear("a c t two eighty")
        outcome = room.hear("correction sixteen atmospheres")
        assert (outcome.entries, outcome.reason) == ((), "does_not_fit")

    def test_a_numbered_entry(self, room: Room) -> None:
        first = room.hear("heparin five thousand units").entries[0]
        room.hear("a c t two eighty")
        right = room.hear(f"correction entry {['zero', 'one', 'two'][first.n]} heparin seven thousand units")
        assert right.entries[0].amends == first.n

    def test_another_kind_of_entry_is_confirmed_first(self, room: Room) -> None:
        room.hear("balloon two five by twelve")
        up = room.hear("up to fourteen").entries[0]
        assert room.hear("correction balloon two five by fifteen").result == "asked"
        assert "instead of up, one four, fourteen atmospheres" in room.last_said
        assert room.loop.case.standing(up)[0] == "stands"

    def test_disregarding_a_correction_brings_the_first_back(self, room: Room) -> None:
        first = room.hear("heparin five thousand units").entries[0]
        room.hear("correction heparin seven thousand units")
        room.hear("disregard")
        assert room.loop.case.standing(first)[0] == "stands"

    def test_what_could_not_be_read_is_not_what_a_correction_means(self, room: Room) -> None:
        wrong = room.hear("heparin three thousand").entries[0]
        room.hear("foo bar", held=True)
        right = room.hear("correction heparin four thousand").entries[0]
        assert right.amends == wrong.n
        room.hear("how much heparin")
        assert room.last_said == "heparin four thousand units"

    def test_another_drug_is_confirmed_first(self, room: Room) -> None:
        heparin = room.hear("heparin four thousand").entries[0]
        assert room.hear("correction fentanyl fifty").result == "asked"
        assert "instead of heparin" in room.last_said
        assert room.loop.case.standing(heparin)[0] == "stands"

    def test_what_a_correction_leaves_unsaid_stays_as_it_was(self, room: Room) -> None:
        room.hear("a c t two eighty from the sheath")
        (right,) = room.hear("correction a c t two ninety").entries
        assert right.body == Act(act_s=Decimal(290), site="sheath")
        room.hear("n c balloon two five by twelve at fourteen")
        (right,) = room.hear("correction balloon two five by fifteen").entries
        assert isinstance(right.body, Device)
        assert (right.body.type, right.body.pressure_atm, right.body.stocked) == ("non-compliant", 14, True)

    def test_with_nothing_there(self, room: Room) -> None:
        assert room.hear("correction sixteen atmospheres").reason == "nothing_to_correct"
        assert room.hear("disregard").reason == "nothing_to_withdraw"
        assert room.hear("correction entry forty two sixteen atmospheres").reason == "no_such_entry"


class TestIgnoring:
    def test_table_talk_leaves_no_trace(self, room: Room) -> None:
        before = len(room.journal)
        assert room.hear("balloon two five by twelve", fits=False).result == "ignored"
        assert room.hear("what a lovely").result == "ignored"
        assert len(room.journal) == before
        assert room.said.getvalue() == ""

    def test_one_word_is_no_event_while_the_pedal_is_up(self, room: Room) -> None:
        assert room.hear("deflate").result == "ignored"
        assert room.hear("deflate", held=True).result == "asked"
        assert room.hear("asystole").result == "accepted"

    def test_with_the_pedal_held_nothing_is_dropped(self, room: Room) -> None:
        outcome = room.hear("balloon two five by", held=True)
        assert (outcome.result, room.last_said) == ("asked", "say again")
        assert outcome.entries[0].words == "balloon two five by"
        doubtful = room.hear("heparin five thousand units", held=True, fits=False)
        assert doubtful.result == "asked"
        assert room.last_said == "heparin, five thousand units, affirm?"


def test_what_the_voice_cut_off_is_asked_for_again(room: Room) -> None:
    before = len(room.journal)
    outcome = room.hear("balloon two five by twelve", clipped=True)
    assert (outcome.result, room.last_said) == ("asked", "say again")
    assert len(room.journal) == before


class TestAnswers:
    def test_last_act_counts_on_the_monotonic_clock(self, room: Room) -> None:
        room.hear("a c t two eighty from the guide", at_s=0.0)
        room.clock.step_wall(-3600)
        room.clock.set(600.0)
        room.hear("last a c t")
        assert room.last_said == "last a c t two hundred eighty, ten minutes ago"

    def test_contrast_is_the_last_total_plus_what_was_given_since(self, room: Room) -> None:
        for words in ("contrast given thirty", "contrast total eighty", "contrast given forty"):
            room.hear(words)
        room.hear("how much contrast")
        assert room.last_said == "contrast one hundred twenty millilitres"

    def test_what_is_in_and_what_is_missing(self, room: Room) -> None:
        room.hear("what is in")
        assert room.last_said == "nothing is in"
        room.hear("workhorse wire in")
        room.hear("stent three oh by eighteen")
        room.hear("stent deployed at twelve")
        room.hear("what is in")
        assert room.last_said == "in: workhorse wire"
        room.hear("what is missing")
        assert room.last_said.startswith("missing: time out, access, closure, a c t, final flow")
        assert room.last_said.endswith("devices still in. time out?")

    def test_contrast_left_names_the_limit_or_what_is_not_known(self, room: Room) -> None:
        # 80 kg and 1.5 mg/dL: 266.67 mL (Cigarroa, Am J Med 1989;86:649)
        room.hear("contrast left")
        assert room.last_said == "the weight is not on record"
        room.hear("weight eighty kilos")
        room.hear("creatinine one point five")
        room.hear("contrast total one hundred")
        room.hear("how much contrast is left")
        assert room.last_said.startswith(
            "one hundred sixty six millilitres left of two hundred sixty six. check against local protocol"
        )

    def test_heparin_so_far(self, room: Room) -> None:
        room.hear("how much heparin")
        assert room.last_said == "no heparin recorded"
        room.hear("heparin five thousand units")
        room.hear("weight eighty kilos")
        room.hear("heparin two thousand units")
        room.hear("how much heparin")
        assert room.last_said == "heparin seven thousand units, eighty eight per kilo"

    def test_a_dose_by_weight_with_no_weight_gives_no_total(self, room: Room) -> None:
        room.hear("heparin seventy units per kilo")
        room.hear("how much heparin")
        assert room.last_said == "the weight is not on record"

    def test_how_long_the_balloon_is_up_on_the_monotonic_clock(self, room: Room) -> None:
        room.hear("balloon time")
        assert room.last_said == "no balloon is up"
        room.hear("balloon two five by twelve", at_s=10.0)
        room.hear("up to fourteen", at_s=20.0)
        room.clock.step_wall(3600)
        room.clock.set(45.0)
        room.hear("how long is the balloon up")
        assert room.last_said == "up for twenty seven seconds"

    def test_of_two_wires_the_one_that_was_meant_is_named(self, room: Room) -> None:
        room.hear("workhorse wire in")
        room.hear("wire across")
        assert room.last_said == "wire across"
        room.hear("hydrophilic wire in")
        room.hear("wire out")
        assert room.last_said == "hydrophilic wire out"

    def test_say_again_repeats(self, room: Room) -> None:
        room.hear("heart rate sixty")
        said = room.last_said
        room.hear("say again")
        assert room.last_said == said

    def test_voice_off_is_silent_and_still_records(self, room: Room) -> None:
        room.hear("voice off")
        before = room.said.getvalue()
        assert room.hear("heart rate sixty").result == "accepted"
        assert room.said.getvalue() == before
        room.hear("voice on")
        assert room.last_said == "voice on"


class TestPedal:
    def test_mark_affirm_and_withdraw(self, room: Room) -> None:
        mark = room.loop.pressed("mark").entries[0]
        assert mark.source == "pedal"
        room.hear("unlisted balloon two oh by thirteen")
        assert room.loop.pressed("affirm").result == "accepted"
        room.loop.pressed("withdraw")
        assert room.loop.case.inside() == []


def test_a_clock_set_back_is_recorded_and_loses_nothing(room: Room) -> None:
    room.hear("heart rate sixty", at_s=100.0)
    room.clock.step_wall(-3600)
    (entry,) = room.hear("heart rate seventy", at_s=200.0).entries
    steps = [e.body for e in room.journal.entries if isinstance(e.body, ClockStep)]
    assert steps == [ClockStep(step_s=-3600.0)]
    assert entry.at.wall == START + timedelta(seconds=200 - 3600)
    assert [e.n for e in room.journal.entries] == [1, 2, 3, 4]
    assert verify(room.folder).ok


def test_typed_sizes_that_could_be_two_things_are_asked(room: Room) -> None:
    outcome = room.loop.typed("balloon three by twenty eight")
    assert outcome.result == "asked"
    lengths = {a.body.length_mm for a in outcome.entries[0].alternatives if isinstance(a.body, Device)}
    assert lengths == {20, 28}


def test_a_spoken_size_that_could_be_two_things_is_asked(room: Room) -> None:
    # 28 mm is not stocked, so the recogniser listened for 20 mm at 8 atm only: still, which was meant?
    outcome = room.hear("balloon three by twenty eight")
    assert outcome.result == "asked"
    assert "twenty eight" in room.last_said
    assert "eight atmospheres" in room.last_said
    assert room.hear("n c balloon three oh by fifteen").result == "accepted"


def test_a_restart_goes_on_where_it_was(room: Room) -> None:
    room.hear("balloon two five by twelve")
    room.hear("up to fourteen")
    room.journal.close()
    room.open()
    assert room.hear("balloon down").result == "accepted"
    assert room.loop.case.devices()[0].inflated is False
    kinds = [
        type(e.body) for e in room.loop.case.in_force() if isinstance(e.body, (Device, Inflation, Act, Drug))
    ]
    assert kinds == [Device, Inflation]


def test_what_cannot_be_handled_is_kept(room: Room) -> None:
    outcome = room.loop.keep("some words")
    assert (outcome.result, outcome.entries[0].words) == ("asked", "some words")


class TestSpeakingUp:
    def test_an_act_is_asked_for_after_heparin_and_what_is_said_is_on_record(self, room: Room) -> None:
        room.hear("heparin five thousand units", at_s=0.0)
        room.clock.set(200.0)
        room.loop.tick()
        assert "a c t is due" not in room.said.getvalue()
        # first clotting time 5 minutes after the bolus: common practice, no source
        room.clock.set(310.0)
        room.loop.tick()
        assert room.last_said == "a c t is due, five minutes"
        advice = room.journal.entries[-1].body
        assert isinstance(advice, Advice)
        assert (advice.rule, advice.text) == ("act_due", "a c t is due, 5 minutes")
        assert "common practice, no source" in advice.source
        before = room.said.getvalue()
        room.clock.set(311.0)
        room.loop.tick()
        assert room.said.getvalue() == before

    def test_noted_answers_it(self, room: Room) -> None:
        assert room.loop.typed("noted").reason == "nothing_to_note"
        room.hear("heparin five thousand units", at_s=0.0)
        room.clock.set(310.0)
        room.loop.tick()
        outcome = room.hear("noted", held=True)
        assert [e.body for e in outcome.entries] == [Noted(rule="act_due")]
        before = room.said.getvalue()
        for second in range(320, 1000, 10):
            room.clock.set(float(second))
            room.loop.tick()
        assert room.said.getvalue() == before

    def test_a_pressure_above_the_rated_burst_is_spoken_at_once_and_through_stand_by(
        self, room: Room
    ) -> None:
        room.hear("stand by")
        room.hear("semi compliant balloon two five by twelve")
        room.hear("up to twenty")
        room.loop.tick()
        assert "twenty atmospheres is above rated burst" in room.last_said

    def test_advice_is_not_what_disregard_means(self, room: Room) -> None:
        heparin = room.hear("heparin five thousand units", at_s=0.0).entries[0]
        room.clock.set(310.0)
        room.loop.tick()
        room.hear("noted", held=True)
        room.hear("disregard")
        assert room.loop.case.standing(heparin)[0] == "withdrawn"

    def test_every_rule_has_its_words(self, room: Room) -> None:
        assert set(room.book.file.advice) == {*RULES, *ARREST_RULES}


def test_an_entry_of_a_long_case_is_corrected_by_its_number(room: Room) -> None:
    for _ in range(320):
        room.loop.typed("down")
    act = room.loop.typed("act 250").entries[0]
    assert act.n > 299, "so many are listened for; typed there are more"
    room.loop.typed("contrast given 20")
    corrected = room.loop.typed(f"correction entry {act.n} act 280").entries[0]
    assert corrected.amends == act.n
    withdrawn = room.loop.typed(f"disregard entry {corrected.n}").entries[0].body
    assert withdrawn.kind == "withdrawal" and withdrawn.target == corrected.n


# --- pedals ----------------------------------------------------------------------------------------


def test_the_balloon_clock_is_an_inflation_without_pressure_and_a_deflation(room: Room) -> None:
    room.loop.typed("balloon 2.5 x 12")
    room.clock.set(10.0)
    up = room.loop.pressed("clock", 9.4)
    assert up.result == "accepted"
    assert up.entries[0].body == Inflation()
    # the foot went down before the program took the press
    assert up.entries[0].at.monotonic_s == 9.4
    assert room.last_said == "up"
    room.loop.typed("correction 14 atm")
    assert room.loop.case.last().body == Inflation(pressure_atm=Decimal(14))  # type: ignore[union-attr]
    room.clock.set(31.0)
    down = room.loop.pressed("clock")
    assert down.entries[0].body == Deflation()
    (life,) = room.loop.case.inside()
    assert [(each.seconds, each.pressure_atm) for each in life.inflations] == [(21.6, Decimal(14))]
    room.clock.set(40.0)
    assert room.loop.pressed("clock").entries[0].body == Inflation()


def test_the_balloon_clock_ends_an_inflation_that_was_called_out(room: Room) -> None:
    room.loop.typed("balloon 2.5 x 12, 14 atm")
    assert room.loop.pressed("clock").entries[0].body == Deflation()


def test_the_balloon_clock_with_no_balloon_in_marks_the_moment_and_says_so(room: Room) -> None:
    room.clock.set(5.0)
    outcome = room.loop.pressed("clock")
    assert [entry.body for entry in outcome.entries] == [Mark()]
    assert outcome.entries[0].standing == "stands"
    assert room.last_said == "no balloon is in. this moment is marked"


def test_the_reminder_pedal_says_one_thing_after_the_other_until_it_is_noted(room: Room) -> None:
    assert room.loop.pressed("reminder").reply == "nothing is due"
    room.loop.typed("balloon 2.5 x 12, 14 atm")
    room.loop.typed("stent 3.0 x 18 deployed 12 atm")
    for elapsed_s in range(0, 400, 2):
        room.clock.set(float(elapsed_s))
        room.loop.tick()
    said = [entry.body.rule for entry in room.loop.case.entries if isinstance(entry.body, Advice)]
    assert {"inflation_long", "antiplatelet_missing"} <= set(said)
    entries = len(room.loop.case.entries)
    replies = [room.loop.pressed("reminder").reply for _ in range(len(set(said)) + 3)]
    first, *_ = replies
    # each of them once, and then from the beginning
    again = replies.index(first, 1)
    assert again >= 2 and len(set(replies[:again])) == again
    assert any("P 2 Y 12" in reply for reply in replies)
    assert any(reply.startswith("balloon up for") for reply in replies) or any("up for" in r for r in replies)
    # it was all on record before
    assert len(room.loop.case.entries) == entries
    room.loop.typed("balloon down")
    room.loop.typed("noted")
    assert "P 2 Y 12" not in room.loop.pressed("reminder").reply


def test_without_an_open_card_the_card_pedal_says_so(room: Room) -> None:
    assert room.loop.pressed("card").reply == "no card is open"


class TestACheckBackWasCutOff:
    def test_an_entry_that_stands_is_told_before_the_next_check_back(self, room: Room) -> None:
        room.hear("heparin five thousand units", held=True)
        heparin = room.last_said
        assert room.recalled() == f"before that, {heparin}"
        room.hear("balloon two five by twelve", held=True)
        assert room.loop.recall(heparin) == f"before that, {heparin}"

    @pytest.mark.parametrize("then", ["disregard", "correction heparin three thousand units"])
    def test_what_was_taken_back_is_not_told_but_that_it_was_is(self, room: Room, then: str) -> None:
        room.hear("heparin five thousand units", held=True)
        heparin = room.last_said
        room.hear(then, held=True)
        assert room.loop.recall(heparin) is None
        assert room.recalled() == f"before that, {room.last_said}"

    def test_a_question_comes_again_whole_until_it_is_answered(self, room: Room) -> None:
        room.hear("balloon three by twenty eight", held=True)
        question = room.last_said
        room.hear("how much contrast", held=True)
        assert room.loop.recall(question) == question
        assert room.recalled() is None, "an answer can be asked for again"
        room.hear("option two", held=True)
        assert room.loop.recall(question) is None

    def test_what_was_said_again_is_still_about_its_entry(self, room: Room) -> None:
        room.hear("heparin five thousand units", held=True)
        heparin = room.last_said
        room.hear("say again", held=True)
        assert room.last_said == heparin and room.recalled() == f"before that, {heparin}"

    def test_of_two_doses_alike_the_one_that_stands_is_told(self, room: Room) -> None:
        room.hear("nitroglycerin two hundred micrograms", held=True)
        dose = room.last_said
        room.hear("nitroglycerin two hundred micrograms", held=True)
        assert room.last_said == dose
        room.hear("disregard", held=True)
        assert room.loop.recall(dose) == f"before that, {dose}"
        room.hear("disregard", held=True)
        assert room.loop.recall(dose) is None

    def test_a_tone_is_no_words_to_be_told_again(self, room: Room) -> None:
        room.hear("a c t two eighty", held=True)
        act = room.loop.case.last()
        assert act is not None
        room.loop._recall.remember("", Outcome("accepted", "", (act,), ""))
        assert room.loop.recall("") is None

    def test_what_stand_by_silences_is_shown(self, room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
        silenced = Sentence("heparin, five thousand units", Urgency.CHECK_BACK)
        monkeypatch.setattr(room.loop._voice, "stop", lambda: (silenced,))
        room.hear("stand by", held=True)
        assert "not spoken: heparin, five thousand units (stand by)" in room.shown

    def test_stand_by_is_on_disk_before_what_it_silenced_is_shown(
        self, room: Room, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        silenced = Sentence("heparin, five thousand units", Urgency.CHECK_BACK)
        on_disk: list[bool] = []

        def look(line: str) -> None:
            on_disk.append('"stand_by"' in (room.folder / "journal.jsonl").read_text())

        monkeypatch.setattr(room.loop._voice, "stop", lambda: (silenced,))
        monkeypatch.setattr(room.loop, "_show", look)
        room.hear("stand by", held=True)
        assert on_disk == [True]

    def test_what_is_about_no_entry_is_not_told(self, room: Room) -> None:
        room.hear("so where were we", held=True)
        assert room.last_said == "say again" and room.recalled() is None
