"""Bailout cards in the room: the real loop, a real journal, a clock set by hand."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bailout_room import BailoutRoom
from checkback.record.entry import CardStep, Inflation, Withdrawal


@pytest.fixture
def room(tmp_path: Path) -> Iterator[BailoutRoom]:
    room = BailoutRoom(tmp_path / "case")
    yield room
    room.close()


def cards(room: BailoutRoom) -> list[Any]:
    return [e for e in room.entries if isinstance(e.body, CardStep)]


def lost(room: BailoutRoom) -> None:
    for words in ("workhorse wire in", "stent 3.0 by 18"):
        room.say(words, wait_s=10)


class TestOpening:
    def test_by_name_it_is_opened_and_its_first_line_is_read(self, room: BailoutRoom) -> None:
        lost(room)
        outcome = room.hear("card stent lost")
        assert outcome.result == "accepted"
        assert room.steps == [("opened", ""), ("read", "keep_wire")]
        assert room.last_said.startswith(
            "card, Stent off its balloon. check against local protocol. Stop pulling."
        )

    def test_who_said_it_stands_in_the_entry_and_what_the_program_read_is_the_programs(
        self, room: BailoutRoom
    ) -> None:
        room.hear("card stent lost")
        opened, read = [e for e in room.entries if isinstance(e.body, CardStep)]
        assert (opened.source, opened.words) == ("speech", "card stent lost")
        assert (read.source, read.words) == ("program", "")

    def test_a_card_that_is_not_there_is_no_sentence(self, room: BailoutRoom) -> None:
        assert room.say("card lunch").result == "asked"
        assert room.steps == []

    def test_it_goes_on_where_it_was_after_a_restart(self, room: BailoutRoom) -> None:
        lost(room)
        room.say("stent off its balloon")
        room.say("affirm")
        room.say("next")
        assert room.line == "on_wire"
        room.restart(after_s=30)
        room.say("yes")
        assert room.line == "place_on"
        assert ("opened", "") in room.steps and room.steps.count(("opened", "")) == 1

    def test_the_one_that_was_spoken_to_last_is_meant_and_the_other_comes_back(
        self, room: BailoutRoom
    ) -> None:
        room.say("card stent lost")
        room.say("card perforation")
        room.say("next")
        assert room.entries[-1].body.card == "perforation"
        room.say("close")
        room.say("next")
        assert room.entries[-1].body.card == "stent_lost"

    def test_once_its_opening_is_withdrawn_it_is_not_open(self, room: BailoutRoom) -> None:
        (opened, _) = room.say("card stent lost").entries
        room.say("next")
        room.say(f"disregard entry {opened.n}")
        assert room.loop.pressed("card").reply == "no card is open"


class TestWords:
    def test_without_an_open_card_they_mean_nothing(self, room: BailoutRoom) -> None:
        for words in ("next", "card next", "yes", "tried", "why", "close"):
            outcome = room.hear(words)
            assert (outcome.result, outcome.entries) == ("ignored", ()), words
        assert room.hear("next", held=True).result == "asked"
        assert room.steps == []

    def test_in_an_open_room_one_word_is_talk_and_two_are_for_the_card(self, room: BailoutRoom) -> None:
        room.hear("card stent lost")
        assert room.hear("next").result == "ignored"
        assert room.hear("card next").result == "accepted"
        assert room.line == "on_wire"
        assert room.hear("yes", held=True).result == "accepted"

    def test_affirm_and_negative_answer_its_questions(self, room: BailoutRoom) -> None:
        room.say("card stent lost")
        room.say("next")
        room.hear("negative")
        assert ("no", "on_wire") in room.steps and room.line == "place_off"

    def test_affirm_settles_what_was_asked_last(self, room: BailoutRoom) -> None:
        room.say("card stent lost")
        room.say("next")
        asked = room.say("balloon 3.0 x 28")
        assert asked.result == "asked"
        settled = room.say("option 1")
        assert settled.entries[0].amends == asked.entries[0].n
        room.say("affirm")
        assert room.last_said == "Is the stent still on the wire? affirm or negative?"
        room.say("affirm")
        assert ("yes", "on_wire") in room.steps
        room.say("balloon 3.0 x 28")
        room.say("next")  # a question is not passed over, so this is read again
        assert room.last_said.endswith("affirm or negative?")

    @pytest.mark.parametrize(
        "between", ["heparin 5000 units", "heparin 50000 units", "what is missing", "contrast given 20"]
    )
    def test_affirm_answers_only_what_was_said_last(self, room: BailoutRoom, between: str) -> None:
        room.say("card stent lost")
        room.say("next")
        room.say(between)
        room.say("affirm")
        assert ("yes", "on_wire") not in room.steps, "something else was said since"
        if room.last_said.startswith("Is the stent still on the wire?"):
            room.say("affirm")
            assert ("yes", "on_wire") in room.steps

    def test_nor_after_advice_or_a_restart(self, room: BailoutRoom) -> None:
        lost(room)
        room.say("card stent lost")
        room.say("next")
        room.say("deployed 30 atm")
        room.say("negative")
        assert ("no", "on_wire") not in room.steps
        room.restart(after_s=5)
        room.say("affirm")
        assert ("yes", "on_wire") not in room.steps
        assert room.last_said == "Is the stent still on the wire? affirm or negative?"
        room.say("affirm")
        assert ("yes", "on_wire") in room.steps

    def test_why_tells_the_reason_and_the_source(self, room: BailoutRoom) -> None:
        room.say("card stent lost")
        room.say("next")
        room.say("yes")
        room.say("why")
        assert room.last_said.startswith("There a loose, crushed or open stent can close too much. source, ")
        assert room.last_said.endswith("check against local protocol")

    def test_back_tried_not_here_and_close(self, room: BailoutRoom) -> None:
        room.say("card stent lost")
        room.say("tried")
        assert room.line == "on_wire"
        room.say("back")
        assert room.line == "keep_wire"
        room.say("not here")
        room.say("close")
        assert [action for action, _ in room.steps if action not in ("read", "opened")] == [
            "tried", "not here", "closed",
        ]  # fmt: skip
        assert room.last_said == "card closed"
        assert room.say("next").result == "asked"

    def test_every_call_out_is_taken_while_a_card_is_open_and_marks_it(self, room: BailoutRoom) -> None:
        lost(room)
        room.say("stent off its balloon")
        room.say("affirm")
        outcome = room.hear("balloon one five by fifteen")
        assert outcome.result == "accepted"
        room.hear("up ten atmospheres")
        assert isinstance(room.entries[-1].body, Inflation)

    def test_disregard_means_what_was_said_last(self, room: BailoutRoom) -> None:
        room.say("heparin 5000 units")
        room.say("card stent lost")
        room.say("next")
        room.say("yes")
        room.say("disregard")
        withdrawal = next(e.body for e in reversed(room.entries) if isinstance(e.body, Withdrawal))
        answer = room.entries[withdrawal.target - 1].body
        assert isinstance(answer, CardStep) and answer.action == "yes"
        assert room.last_said.endswith("Is the stent still on the wire?") and room.line == "on_wire"
        room.say("no")
        assert room.line == "place_off"
        room.say("contrast given 20")
        room.say("disregard")
        withdrawal = next(e.body for e in reversed(room.entries) if isinstance(e.body, Withdrawal))
        assert room.entries[withdrawal.target - 1].body.kind == "contrast"

    def test_control_characters_reach_neither_record_nor_screen(self, room: BailoutRoom) -> None:
        room.say("note \x1b]0;hack\x07 family \ud800 is informed")
        assert not any(ord(c) < 32 or c == "\ud800" for e in room.entries for c in e.words + str(e.body))
        assert not any(ord(c) < 32 for line in room.spoken for c in line)

    def test_the_pedal_reads_the_next_line(self, room: BailoutRoom) -> None:
        assert room.loop.pressed("card").reply == "no card is open"
        room.say("card stent lost")
        room.loop.pressed("card")
        assert room.line == "on_wire"
        room.loop.pressed("affirm")
        assert ("yes", "on_wire") in room.steps

    def test_a_card_is_read_out_where_all_else_is_a_tone(self, tmp_path: Path) -> None:
        room = BailoutRoom(tmp_path / "case", verbosity="tones")
        room.say("workhorse wire in")
        assert room.spoken == []
        room.say("card stent lost")
        assert "Stop pulling" in room.last_said
        room.close()


class TestOffer:
    def test_it_is_made_once_and_affirm_opens_it(self, room: BailoutRoom) -> None:
        lost(room)
        room.say("stent off its balloon", wait_s=5)
        assert room.last_said == "a stent came off its balloon. card, Stent off its balloon, affirm?"
        assert room.steps == [("offered", "")]
        room.say("affirm")
        assert room.steps[1:] == [("opened", ""), ("read", "keep_wire")]

    def test_it_is_not_made_again_after_a_restart_or_a_no(self, room: BailoutRoom) -> None:
        lost(room)
        room.say("stent off its balloon")
        room.say("negative")
        assert room.last_said == "no card"
        room.wait(200)
        room.restart(after_s=10)
        room.wait(60)
        assert [action for action, _ in room.steps] == ["offered"]

    def test_affirm_long_after_means_something_else(self, room: BailoutRoom) -> None:
        lost(room)
        room.say("stent off its balloon", wait_s=121)
        assert room.say("affirm").reply == "nothing was asked"
        assert room.steps == [("offered", "")]

    def test_recording_goes_on_and_a_question_asked_later_comes_first(self, room: BailoutRoom) -> None:
        lost(room)
        room.say("stent off its balloon")
        asked = room.say("balloon 3.0 x 28")
        assert asked.result == "asked"
        assert room.say("option 1").entries[0].amends == asked.entries[0].n
        room.say("affirm")
        assert ("opened", "") not in room.steps and room.last_said.endswith("Stent off its balloon, affirm?")
        room.say("affirm")
        assert ("opened", "") in room.steps

    def test_of_an_offer_and_a_question_affirm_answers_the_later_one(self, room: BailoutRoom) -> None:
        room.say("card stent lost")
        room.say("perforation")
        assert room.last_said.endswith("Coronary perforation, affirm?")
        room.say("next")
        room.say("affirm")
        assert ("yes", "on_wire") in room.steps or room.line == "on_wire"
        assert not any(e.body.card == "perforation" and e.body.action == "opened" for e in cards(room))

    def test_what_was_withdrawn_offers_nothing(self, room: BailoutRoom) -> None:
        room.say("v fib")
        assert room.steps == [("offered", "")]
        room.say("disregard")
        room.say("affirm")
        assert ("opened", "") not in room.steps

    @pytest.mark.parametrize("words", ["v fib", "vf", "pea", "asystole", "cpr started"])
    def test_every_beginning_of_an_arrest(self, room: BailoutRoom, words: str) -> None:
        room.say(words)
        assert [e.body.card for e in cards(room)] == ["cardiac_arrest"]

    def test_new_trouble_is_offered_anew(self, room: BailoutRoom) -> None:
        lost(room)
        room.say("stent off its balloon")
        room.say("negative")
        for words in ("stent retrieved", "stent 2.5 by 15", "stent off its balloon"):
            room.say(words, wait_s=10)
        assert room.steps.count(("offered", "")) == 2

    def test_three_that_would_not_cross(self, room: BailoutRoom) -> None:
        for size in ("2.5 by 15", "2.0 by 12", "1.25 by 15"):
            assert room.steps == []
            for words in (f"balloon {size}", "balloon would not cross", "balloon out"):
                room.say(words, wait_s=10)
        assert room.steps == [("offered", "")]

    def test_without_the_voice_it_is_shown(self, room: BailoutRoom) -> None:
        room.say("voice off")
        lost(room)
        room.say("stent off its balloon")
        assert any("card, Stent off its balloon" in line for line in room.shown)
        assert not any("affirm?" in line for line in room.spoken)


class TestSecondOpinion:
    def test_affirm_to_something_else_seconds_nothing_and_negative_takes_it_off(self, tmp_path: Path) -> None:
        room = BailoutRoom(tmp_path / "case", two_person=True)
        lost(room)
        for words in (
            "stent off its balloon",
            "affirm",
            "next",
            "yes",
            "no",
            "yes",
            "chosen",
            "heparin 3000 units",
        ):
            room.say(words)
        room.say("affirm")
        assert room.last_said.endswith("second opinion?") and ("seconded", "deploy") not in room.steps
        room.say("negative")
        assert ("seconded", "deploy") not in room.steps
        room.say("seconded")
        assert room.last_said == "nothing waits for a second opinion"
        room.close()

    def test_what_cannot_be_taken_back_waits_for_it(self, tmp_path: Path) -> None:
        room = BailoutRoom(tmp_path / "case", two_person=True)
        lost(room)
        for words in ("stent off its balloon", "affirm", "next", "yes", "no", "yes"):
            room.say(words)
        assert room.line == "deploy"
        room.say("chosen")
        assert room.last_said.endswith("second opinion?")
        assert ("chosen", "deploy") not in room.steps
        room.say("seconded")
        assert ("seconded", "deploy") in room.steps and ("chosen", "deploy") in room.steps
        room.close()

    def test_affirm_is_that_word_too_and_it_survives_a_restart(self, tmp_path: Path) -> None:
        room = BailoutRoom(tmp_path / "case", two_person=True)
        lost(room)
        for words in ("stent off its balloon", "affirm", "next", "yes", "no", "yes", "chosen"):
            room.say(words)
        room.restart(after_s=20)
        room.say("affirm")  # nobody may remember what that was about: it is asked again
        assert room.last_said.endswith("second opinion?") and ("chosen", "deploy") not in room.steps
        room.say("affirm")
        assert ("chosen", "deploy") in room.steps
        room.close()

    def test_without_the_setting_it_is_chosen_at_once(self, room: BailoutRoom) -> None:
        lost(room)
        for words in ("stent off its balloon", "affirm", "next", "yes", "no", "yes", "chosen"):
            room.say(words)
        assert ("chosen", "deploy") in room.steps and ("proposed", "deploy") not in room.steps
