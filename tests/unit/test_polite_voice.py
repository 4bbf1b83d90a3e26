"""The voice does not begin while somebody is speaking to it."""

from __future__ import annotations

import time
from io import StringIO

from checkback.speaking.polite import (
    GIVES_WAY_S,
    PATIENCE_HELD_S,
    PATIENCE_S,
    REPEATS_AFTER_S,
    PoliteVoice,
)
from checkback.speaking.voice import Sentence, Tone, Urgency
from checkback.speaking.voices import TextVoice
from checkback.speaking.waiting import MOST_WAITING


def test_it_speaks_at_once_in_a_quiet_room() -> None:
    screen = StringIO()
    PoliteVoice(TextVoice(screen, mark="")).say("time out")
    assert screen.getvalue() == "time out\n"


def test_it_waits_until_the_speaker_has_finished() -> None:
    screen = StringIO()
    voice = PoliteVoice(TextVoice(screen, mark=""))
    voice.follow(True, 10.0)
    voice.say("time out")
    voice.follow(True, 10.5)
    assert screen.getvalue() == ""
    voice.follow(False, 11.0)
    assert screen.getvalue() == "time out\n"


def test_it_does_not_wait_for_ever() -> None:
    screen = StringIO()
    voice = PoliteVoice(TextVoice(screen, mark=""))
    voice.follow(True, 10.0)
    voice.say("time out")
    voice.follow(True, 10.0 + PATIENCE_S + 0.1)
    assert screen.getvalue() == "time out\n"


def test_stop_drops_what_waits_and_close_says_it() -> None:
    screen = StringIO()
    voice = PoliteVoice(TextVoice(screen, mark=""))
    voice.follow(True, 10.0)
    voice.say("dropped")
    voice.stop()
    voice.say("kept")
    voice.close()
    assert screen.getvalue() == "kept\n"


class Room:
    """A polite voice with a slow speaker behind it: nothing is over until it is said to be."""

    def __init__(self) -> None:
        self.begun: list[str] = []
        self.shown: list[str] = []
        self._unsaid: list[Sentence] = []
        self.voice = PoliteVoice(self, show=self.shown.append)

    name = "slow"

    @property
    def speaking(self) -> bool:
        return bool(self._unsaid)

    def all_heard(self) -> None:
        self._unsaid.clear()

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        self.begun.append(text)
        self._unsaid.append(Sentence(text, urgency, tone))

    def stop(self) -> tuple[Sentence, ...]:
        unsaid, self._unsaid = tuple(self._unsaid), []
        return unsaid

    def close(self, *, timeout_s: float = 10.0) -> None:
        self.stop()


def test_a_critical_sentence_that_was_silenced_is_said_once_more_when_it_is_quiet() -> None:
    room = Room()
    room.voice.follow(False, time.monotonic())
    room.voice.say("above rated burst", Urgency.CRITICAL)
    room.voice.say("balloon down")
    assert [each.text for each in room.voice.stop()] == ["balloon down"]
    room.voice.follow(False, time.monotonic())
    assert room.begun == ["above rated burst", "balloon down"], "whoever pressed is about to speak"
    later_s = time.monotonic() + GIVES_WAY_S
    room.voice.follow(True, later_s)
    room.voice.follow(False, later_s + 1.0)
    assert room.begun[2:] == ["above rated burst"]
    # silenced again, it is not repeated for ever
    assert [each.text for each in room.voice.stop()] == ["above rated burst"]
    room.voice.follow(False, later_s + 10.0)
    assert len(room.begun) == 3


def test_stop_with_nobody_to_follow_says_the_critical_one_at_once() -> None:
    room = Room()
    room.voice.say("above rated burst", Urgency.CRITICAL)
    assert room.voice.stop() == ()
    assert room.begun == ["above rated burst"] * 2


def test_while_talk_is_held_it_waits_longer_but_not_for_a_stuck_pedal() -> None:
    room = Room()
    room.voice.follow(True, 10.0, held=True)
    room.voice.say("time out")
    room.voice.follow(True, 10.0 + PATIENCE_S + 1.0, held=True)
    assert room.begun == []
    room.voice.follow(True, 10.0 + PATIENCE_HELD_S + 1.0, held=True)
    assert room.begun == ["time out"]


def test_what_is_dropped_because_too_much_waits_is_shown() -> None:
    room = Room()
    room.voice.follow(True, 10.0)
    for n in range(MOST_WAITING + 2):
        room.voice.say(f"reminder {n}", Urgency.REMINDER)
    assert room.shown == [f"not spoken: reminder {n} (newer sentences wait)" for n in (0, 1)]
    room.voice.follow(False, 11.0)
    assert room.begun == [f"reminder {n}" for n in range(2, MOST_WAITING + 2)]


class TestSpokenOver:
    """Somebody speaks over the voice."""

    def test_what_is_critical_comes_again_when_it_is_quiet_and_a_reminder_does_not(self) -> None:
        room = Room()
        room.voice.follow(False, time.monotonic())
        room.voice.say("above rated burst", Urgency.CRITICAL)
        room.voice.say("a clotting time is due", Urgency.REMINDER)
        assert [each.text for each in room.voice.give_way()] == ["a clotting time is due"]
        later_s = time.monotonic() + GIVES_WAY_S
        room.voice.follow(True, later_s)
        room.voice.follow(False, later_s + 1.0)
        assert room.begun[2:] == ["above rated burst"]

    def test_a_check_back_that_is_cut_comes_again_if_nothing_was_said_to_the_program(self) -> None:
        room = Room()
        room.voice.follow(False, time.monotonic())
        room.voice.say("heparin five thousand")
        assert room.voice.give_way() == ()
        now_s = time.monotonic() + GIVES_WAY_S
        room.voice.follow(True, now_s)
        room.voice.follow(False, now_s + 1.0)
        room.voice.follow(False, now_s + REPEATS_AFTER_S)
        assert room.begun == ["heparin five thousand"], "an answer may still come"
        room.voice.follow(False, now_s + 1.0 + REPEATS_AFTER_S)
        assert room.begun == ["heparin five thousand"] * 2
        # cut again, it is not repeated for ever
        assert [each.text for each in room.voice.give_way()] == ["heparin five thousand"]
        room.voice.follow(False, now_s + 20.0)
        room.voice.follow(False, now_s + 40.0)
        assert len(room.begun) == 2

    def test_what_is_critical_is_cut_by_speech_only_once(self) -> None:
        room = Room()
        room.voice.follow(False, time.monotonic())
        room.voice.say("above rated burst", Urgency.CRITICAL)
        room.voice.give_way()
        room.voice.follow(False, time.monotonic() + GIVES_WAY_S)
        assert room.begun == ["above rated burst"] * 2
        assert room.voice.give_way() == () and room.voice.speaking, "said to its end"
        room.all_heard()
        room.voice.follow(False, time.monotonic() + GIVES_WAY_S)
        room.voice.say("a clotting time is due", Urgency.REMINDER)
        assert room.voice.give_way(), "what comes after it is cut as always"

    def test_the_same_words_for_something_new_come_again_too(self) -> None:
        room = Room()
        for n in range(1, 4):
            room.voice.say("shock due", Urgency.CRITICAL)
            assert room.voice.stop() == (), n
            assert room.begun == ["shock due"] * 2 * n

    def test_the_answer_to_what_was_said_takes_its_place(self) -> None:
        room = Room()
        room.voice.follow(False, time.monotonic())
        room.voice.say("heparin five thousand")
        room.voice.give_way()
        now_s = time.monotonic() + GIVES_WAY_S
        room.voice.follow(True, now_s)
        room.voice.say("withdrawn, heparin five thousand")
        for second in range(1, 10):
            room.voice.follow(False, now_s + second)
        assert room.begun[1:] == ["withdrawn, heparin five thousand"]

    def test_the_next_check_back_begins_with_what_was_cut_off_before_it(self) -> None:
        room = Room()
        room.voice.recall = {"heparin five thousand": "before that, heparin five thousand"}.get
        room.voice.follow(False, time.monotonic())
        room.voice.say("heparin five thousand")
        room.voice.say("say again")
        room.voice.give_way()
        now_s = time.monotonic() + GIVES_WAY_S
        room.voice.follow(True, now_s)
        room.voice.say("balloon down")
        assert len(room.begun) == 2, "nobody is spoken into"
        room.voice.follow(False, now_s + 1.0)
        assert room.begun[2:] == ["before that, heparin five thousand", "balloon down"]
        assert room.shown == ["not spoken: say again (something newer is said)"]
        # cut again, only what is new comes again
        assert [each.text for each in room.voice.give_way()] == ["before that, heparin five thousand"]
        for second in range(2, 10):
            room.voice.follow(False, now_s + second)
        assert room.begun[4:] == ["balloon down"]

    def test_a_fault_with_an_older_check_back_does_not_keep_the_newer_one_back(self) -> None:
        def fails(text: str) -> str | None:
            raise KeyError(text)

        room = Room()
        room.voice.recall = fails
        room.voice.follow(False, time.monotonic())
        room.voice.say("heparin five thousand")
        room.voice.give_way()
        room.voice.follow(True, time.monotonic() + GIVES_WAY_S)
        room.voice.say("balloon down")
        room.voice.follow(False, time.monotonic() + GIVES_WAY_S)
        assert room.begun[1:] == ["balloon down"]
        assert room.shown == [
            "not spoken: heparin five thousand (a fault: KeyError('heparin five thousand'))"
        ]

    def test_a_fault_with_one_older_check_back_keeps_no_other_back(self) -> None:
        def fails_once(text: str) -> str | None:
            if text == "act two eighty":
                raise KeyError(text)
            return f"before that, {text}"

        room = Room()
        room.voice.recall = fails_once
        room.voice.follow(False, time.monotonic())
        for text in ("heparin five thousand", "act two eighty", "nitroglycerin two hundred"):
            room.voice.say(text)
        room.voice.give_way()
        begun = len(room.begun)
        room.voice.follow(True, time.monotonic() + GIVES_WAY_S)
        room.voice.say("balloon down")
        room.voice.follow(False, time.monotonic() + GIVES_WAY_S)
        assert room.begun[begun:] == [
            "before that, heparin five thousand",
            "before that, nitroglycerin two hundred",
            "balloon down",
        ]
        assert room.shown == ["not spoken: act two eighty (a fault: KeyError('act two eighty'))"]

    def test_a_question_that_is_still_open_waits_for_the_quiet(self) -> None:
        room = Room()
        room.voice.recall = lambda text: text
        room.voice.follow(False, time.monotonic())
        room.voice.say("option one, or option two?")
        room.voice.give_way()
        room.voice.follow(True, time.monotonic() + GIVES_WAY_S)
        room.voice.say("no contrast recorded")
        now_s = time.monotonic() + GIVES_WAY_S
        room.voice.follow(False, now_s)
        assert room.begun[1:] == ["no contrast recorded"]
        room.voice.follow(False, now_s + REPEATS_AFTER_S)
        assert room.begun[2:] == ["option one, or option two?"]

    def test_a_press_drops_it_for_good(self) -> None:
        room = Room()
        room.voice.follow(False, time.monotonic())
        room.voice.say("heparin five thousand")
        room.voice.give_way()
        assert [each.text for each in room.voice.stop()] == ["heparin five thousand"]

    def test_at_the_end_of_the_program_it_is_said(self) -> None:
        room = Room()
        room.voice.follow(False, time.monotonic())
        room.voice.say("heparin five thousand")
        room.voice.give_way()
        room.voice.let_go()
        assert room.begun == ["heparin five thousand"] * 2
