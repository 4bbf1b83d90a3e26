"""What the record lacks, spoken and shown, and each item answered by a few words on the spot."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from test_loop import GRAMMARS, START, Room

from checkback.checklist import ASKS_FOR_S
from checkback.language.phrasebook import Phrasebook
from checkback.record.entry import (
    Access,
    CaseEnd,
    Contrast,
    DeviceEvent,
    LeftOpen,
    Patient,
    TimeOut,
)


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    return Phrasebook.load(GRAMMARS)


@pytest.fixture
def room(book: Phrasebook, tmp_path: Path) -> Iterator[Room]:
    room = Room(book, tmp_path / "case")
    yield room
    room.journal.close()


def ready(room: Room, *lacking: str) -> None:
    """Say all that a complete record has, but for what is lacking."""
    said = {
        "time_out": "time out",
        "access": "right radial access six french",
        "closure": "compression band",
        "act": "a c t two hundred and eighty",
        "flow": "timi three flow",
        "contrast": "contrast total one hundred twenty",
        "fluoroscopy": "fluoroscopy time twelve minutes",
        "air_kerma": "air kerma nine hundred",
        "dose_area": "dose area product sixty",
    }
    for key, words in said.items():
        if key not in lacking:
            assert room.hear(words).result == "accepted", words


def last_body(room: Room) -> object:
    return room.loop.case.entries[-1].body


class TestOneItemAfterTheOther:
    def test_a_number_alone_is_enough(self, room: Room) -> None:
        ready(room, "contrast", "fluoroscopy", "air_kerma", "dose_area")
        room.hear("what is missing")
        assert room.last_said.endswith("contrast total?")
        assert room.hear("one hundred twenty").reply == "contrast total one hundred twenty. fluoroscopy time?"
        assert last_body(room) == Contrast(volume_ml=120, counted="total")
        assert room.hear("twelve point four").reply.endswith("air kerma?")
        assert room.hear("nine hundred eighty").reply.endswith("dose area product?")
        assert room.hear("sixty two").reply.endswith("nothing more is asked")
        assert room.loop.case.missing() == ["case_end"]

    def test_the_same_number_means_what_is_asked(self, room: Room) -> None:
        ready(room, "act", "contrast")
        room.hear("what is missing")
        room.hear("two hundred fifty")
        room.hear("two hundred fifty")
        act, contrast = room.loop.case.entries[-2:]
        assert (act.body.kind, contrast.body.kind) == ("act", "contrast")

    def test_times_and_sites(self, room: Room) -> None:
        ready(room, "time_out", "access", "closure", "flow")
        room.hear("scrubbing out")
        assert room.hear("time fourteen ten").reply.endswith("access?")
        time_out = room.loop.case.latest(TimeOut)
        assert time_out is not None and f"{time_out.at.wall:%H:%M}" == "14:10"
        assert room.hear("right radial").reply.endswith("closure?")
        assert last_body(room) == Access(site="radial", side="right")
        assert room.hear("compression band").reply.endswith("final flow?")
        assert room.hear("three").reply.endswith("nothing more is asked")

    def test_the_list_is_shown_and_so_is_each_question(self, room: Room) -> None:
        ready(room, "closure", "flow")
        room.hear("what is missing")
        assert room.shown[-2:] == ["missing: closure, final flow, case end", "closure?"]

    def test_typed_answers(self, room: Room) -> None:
        ready(room, "contrast", "air_kerma")
        room.loop.typed("what is missing")
        assert room.loop.typed("120").reply.endswith("air kerma?")
        assert room.loop.typed("984").reply.endswith("nothing more is asked")


class TestLeftOpen:
    def test_skipped_is_recorded_and_still_missing(self, room: Room) -> None:
        ready(room, "contrast", "air_kerma")
        room.hear("what is missing")
        assert room.hear("skip").reply == "skipped. air kerma?"
        assert last_body(room) == LeftOpen(item="contrast", answer="skipped")
        assert "contrast" in room.loop.case.missing()
        # asked again only in a new round
        assert room.hear("nine hundred").reply.endswith("nothing more is asked")
        assert "contrast total?" in room.hear("what is missing").reply

    def test_unknown_is_recorded_as_such(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("what is missing")
        room.hear("unknown")
        assert last_body(room) == LeftOpen(item="contrast", answer="unknown")
        assert room.loop.case.missing() == ["case_end"] and room.loop.case.unknown() == ["contrast"]
        # known after all
        room.hear("contrast total ninety")
        assert room.loop.case.unknown() == []

    def test_a_device_is_named_until_it_is_resolved(self, room: Room) -> None:
        ready(room)
        room.hear("wire in")
        room.hear("what is missing")
        room.hear("unknown")
        assert room.loop.case.missing() == ["case_end", "devices"]

    def test_neither_word_means_anything_else(self, room: Room) -> None:
        for words in ("skip", "unknown"):
            assert room.hear(words).result == "ignored"


class TestDevices:
    def test_out_means_the_device_that_is_asked_for(self, room: Room) -> None:
        ready(room)
        room.hear("wire in")
        room.hear("balloon two five by twelve")
        assert room.hear("what is missing").reply.endswith(
            "balloon two point five by twelve: out, or left in place?"
        )
        assert room.hear("skip").reply.endswith("wire: out, or left in place?")
        # the balloon went in last, and is not meant
        assert room.hear("out").reply.endswith("nothing more is asked")
        assert last_body(room) == DeviceEvent(device="wire", happening="out")
        assert [life.body.device for life in room.loop.case.unaccounted()] == ["balloon"]

    def test_left_in_place(self, room: Room) -> None:
        ready(room)
        room.hear("snare in")
        room.hear("what is missing")
        room.hear("left in place")
        assert room.loop.case.unaccounted() == []


class TestInNobodysWay:
    def test_other_call_outs_are_taken_as_always(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("what is missing")
        assert room.hear("heart rate seventy two").reply == "heart rate seventy two"
        assert room.hear("one hundred twenty").reply.startswith("contrast total")

    def test_a_whole_call_out_is_an_answer_too(self, room: Room) -> None:
        ready(room, "contrast", "air_kerma")
        room.hear("what is missing")
        assert room.hear("contrast total one hundred").reply.endswith("air kerma?")

    def test_a_number_is_no_answer_to_nothing(self, room: Room) -> None:
        ready(room, "contrast")
        assert room.hear("one hundred twenty").result == "ignored"
        assert room.hear("one hundred twenty", held=True).reply == "say again"

    def test_nor_is_one_that_comes_late(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("what is missing")
        late_s = room.clock.now().monotonic_s + ASKS_FOR_S + 1
        assert room.hear("one hundred twenty", at_s=late_s).result == "ignored"

    def test_stand_by_ends_the_questions(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("what is missing")
        room.hear("stand by")
        assert room.hear("one hundred twenty").result == "ignored"

    def test_another_room_talk_of_one_word_is_still_ignored(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("what is missing")
        assert room.hear("down").result == "ignored"


class TestByItself:
    def test_after_the_guide_went_out_it_is_said_and_asked(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("guide six french j r four in")
        room.hear("guide out")
        room.clock.set(room.clock.now().monotonic_s + 200)
        room.loop.tick()
        assert room.last_said == "the record lacks contrast total. contrast total?"
        assert room.hear("ninety").reply.startswith("contrast total nine zero, ninety")

    def test_at_the_end_of_the_case(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("end of case")
        room.loop.tick()
        assert room.last_said.endswith("contrast total?")
        room.hear("ninety")
        assert room.loop.case.latest(CaseEnd) is not None and room.loop.case.missing() == []


class TestKeyTimes:
    def test_an_infarction_without_its_times(self, room: Room) -> None:
        ready(room)
        room.hear("indication s t elevation infarction")
        assert room.hear("what is missing").reply.endswith("symptom onset?")
        room.hear("time thirteen oh five")
        room.hear("unknown")
        room.hear("time thirteen forty")
        known = room.loop.case.patient()
        assert known.symptom_onset == START.replace(hour=13, minute=5)
        assert known.first_contact is None and known.arrival == START.replace(hour=13, minute=40)
        assert room.loop.case.unknown() == ["first_contact"]

    def test_no_times_are_missed_in_a_planned_case(self, room: Room) -> None:
        ready(room)
        room.hear("indication stable angina")
        assert room.loop.case.missing() == ["case_end"]

    def test_a_time_that_is_not_past_was_yesterday(self, room: Room) -> None:
        room.hear("symptom onset twenty three fifty")
        assert last_body(room) == Patient(symptom_onset=START.replace(hour=23, minute=50) - timedelta(days=1))
        assert room.last_said == "patient, symptom onset two three five zero"


class TestOpenQuestions:
    def test_options_are_asked_anew(self, room: Room) -> None:
        ready(room)
        room.hear("contrast forty")
        room.hear("heart rate seventy two")
        assert "option one" in room.hear("what is missing").reply
        assert room.hear("option one").reply.endswith("nothing more is asked")
        assert room.loop.case.questions() == []

    def test_words_that_nobody_understood_are_dropped(self, room: Room) -> None:
        ready(room)
        room.hear("balloon banana", held=True)
        assert room.hear("what is missing").reply.endswith(
            "balloon banana, was not understood. negative drops it"
        )
        assert room.hear("negative").reply == "not recorded. nothing more is asked"
        assert room.loop.case.questions() == []


def test_after_a_restart_the_list_is_the_same(room: Room) -> None:
    ready(room, "contrast", "air_kerma")
    room.hear("what is missing")
    room.hear("unknown")
    room.journal.close()
    room.open()
    assert room.hear("what is missing").reply == "missing: air kerma, case end. air kerma?"
    assert room.hear("nine hundred").reply.endswith("nothing more is asked")


class TestAcrossARestart:
    """The program is ended, or ends, while it asks."""

    def again(self, room: Room, after_s: float) -> str:
        room.journal.close()
        room.clock.set(room.clock.now().monotonic_s + after_s)
        room.said.truncate(0)
        room.open()
        room.loop.tick()
        return room.said.getvalue()

    def test_the_questions_go_on_where_they_broke_off(self, room: Room) -> None:
        ready(room, "contrast", "air_kerma")
        room.hear("end of case")
        room.loop.tick()
        assert room.last_said.endswith("contrast total?")
        assert room.hear("skip").result == "accepted"
        said = self.again(room, 30.0)
        assert "contrast" not in said and said.rstrip("\x00\n").endswith("air kerma?"), said
        (entry,) = room.hear("nine hundred").entries
        assert entry.body.kind == "air_kerma"
        room.said.truncate(0)
        room.loop.tick()
        assert room.said.getvalue().strip("\x00\n") == "", "once"

    def test_much_later_nothing_is_asked(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("end of case")
        room.loop.tick()
        assert "contrast total?" not in self.again(room, 600.0)

    def test_after_stand_by_nothing_is_asked(self, room: Room) -> None:
        ready(room, "contrast")
        room.hear("end of case")
        room.loop.tick()
        assert room.last_said.endswith("contrast total?")
        room.hear("stand by")
        assert "contrast total?" not in self.again(room, 30.0)
