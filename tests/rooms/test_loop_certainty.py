"""The loop with listeners who are not sure: it asks the narrowest question, and takes the shortest answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_loop import GRAMMARS, LIMITS, Room

from checkback.call_outs import risk_of
from checkback.certainty import ENOUGH
from checkback.hearing.recogniser import Evidence, FreeText, Heard, Hypothesis, Utterance
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.listeners import grammar_of
from checkback.loop import Loop, Outcome
from checkback.record.entry import Act, DeviceEvent

SURE = Evidence(True, -5.0, -0.2, 0.0, 0.0)
FAR = Evidence(False, -7.5, -14.0, 3.0, 3.0)
# the same for both: nothing tells them apart
ONE = OTHER = Evidence(True, -5.0, -1.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    return Phrasebook.load(GRAMMARS)


class Unsure(Room):
    """A room with two listeners."""

    attention: tuple[str, ...] = ()

    def open(self) -> None:
        super().open()
        self.loop = Loop(
            self.book,
            self.journal,
            self.clock,
            self.loop._voice,
            limits=LIMITS,
            recogniser="test",
            program_version="0",
            attention=self.attention,
            show=self.shown.append,
        )

    def listen(
        self, *listed: tuple[str, Evidence], held: bool = True, score: float = -35.0, called: bool = False
    ) -> Outcome:
        now = self.clock.now().monotonic_s
        self.clock.set(now + 2.0)
        utterance = Utterance(np.zeros(0, dtype=np.int16), now, now + 2.0, held)
        return self.loop.heard(replace(self.found(utterance, listed, score), called=called))

    def found(self, utterance: Utterance, listed: tuple[tuple[str, Evidence], ...], score: float) -> Heard:
        hypotheses = tuple(Hypothesis(w, score if e.chosen else None, True, e) for w, e in listed)
        return Heard(utterance, "both", hypotheses, FreeText("x", -0.2, 0.01, 20))


@pytest.fixture
def room(book: Phrasebook, tmp_path: Path) -> Iterator[Unsure]:
    room = Unsure(book, tmp_path / "case")
    yield room
    room.journal.close()


def acts(room: Unsure) -> list[int]:
    """Return the clotting times that stand, in seconds."""
    return [
        int(e.body.act_s)
        for e in room.loop.case.in_force()
        if isinstance(e.body, Act) and room.loop.case.standing(e)[0] == "stands"
    ]


def test_what_is_certain_is_written_with_its_certainty(room: Unsure) -> None:
    outcome = room.listen(("act two fifteen", SURE), ("act two fifty", FAR))
    assert outcome.result == "accepted"
    (entry,) = outcome.entries
    assert entry.certainty is not None and entry.certainty > 0.9
    assert isinstance(entry.body, Act)


class TestFifteenOrFifty:
    @pytest.fixture(autouse=True)
    def asked(self, room: Unsure) -> None:
        outcome = room.listen(("act two fifteen", ONE), ("act two fifty", OTHER))
        assert outcome.result == "asked"
        self.options = [a.body.act_s for a in outcome.entries[0].alternatives if a.body is not None]

    def test_only_what_tells_them_apart_is_asked(self, room: Unsure) -> None:
        said = room.last_said
        assert "clotting" not in said and "seconds" not in said
        assert "fifteen" in said and "fifty" in said
        assert self.options == [215, 250]

    def test_nothing_stands_meanwhile(self, room: Unsure) -> None:
        assert acts(room) == []

    def test_the_one_word_is_waited_for_and_settles_it(self, room: Unsure) -> None:
        assert set(room.loop.expected) == {"fifteen", "fifty"}
        room.listen(("fifty", SURE), ("v fib", FAR))
        assert acts(room) == [250]
        assert room.loop.expected == ()

    def test_a_press_takes_the_first(self, room: Unsure) -> None:
        room.loop.pressed("affirm")
        assert acts(room) == [215]

    def test_the_other_press_takes_neither(self, room: Unsure) -> None:
        room.loop.pressed("withdraw")
        assert acts(room) == []
        assert room.loop.expected == ()

    def test_an_option_by_number_settles_it(self, room: Unsure) -> None:
        room.listen(("option two", SURE))
        assert acts(room) == [250]

    def test_another_call_out_does_not_answer(self, room: Unsure) -> None:
        room.listen(("heart rate seventy", SURE))
        assert acts(room) == []

    def test_the_word_later_is_no_entry(self, room: Unsure) -> None:
        room.loop.pressed("withdraw")
        outcome = room.listen(("fifty", SURE))
        assert outcome.result != "accepted" and acts(room) == []


def test_on_and_off_are_asked_about_in_a_word(room: Unsure) -> None:
    room.listen(("pacing on", ONE), ("pacing off", OTHER))
    assert set(room.loop.expected) == {"on", "off"}
    room.listen(("off", SURE))
    bodies = [entry.body for entry in room.loop.case.in_force()]
    assert [body.happening for body in bodies if isinstance(body, DeviceEvent)] == ["off"]


def test_neither_of_two_commands_is_done_on_a_guess(room: Unsure) -> None:
    room.loop.typed("act 240")
    outcome = room.listen(("disregard", ONE), ("what is in", OTHER))
    assert outcome.result == "asked"
    assert acts(room) == [240]


class TestCalledByTheAttentionWord:
    @pytest.fixture
    def room(self, book: Phrasebook, tmp_path: Path) -> Iterator[Unsure]:
        class Called(Unsure):
            attention = ("check", "back")

        room = Called(book, tmp_path / "case")
        yield room
        room.journal.close()

    def test_without_it_nothing_is_written(self, room: Unsure) -> None:
        before = len(room.loop.case.entries)
        outcome = room.listen(("act two forty", SURE), held=False)
        assert outcome.result == "ignored" and len(room.loop.case.entries) == before
        assert room.said.getvalue() == ""

    def test_with_it_the_call_out_is_taken(self, room: Unsure) -> None:
        room.listen(("check back act two forty", SURE), ("act two forty", FAR), held=False)
        assert acts(room) == [240]

    def test_alone_it_opens_one_utterance(self, room: Unsure) -> None:
        room.listen(("check back", SURE), held=False)
        assert room.last_said == "go ahead"
        room.listen(("act two forty", SURE), held=False)
        room.listen(("act two fifty", SURE), held=False)
        assert acts(room) == [240]

    def test_a_sound_with_nothing_in_it_closes_nothing(self, room: Unsure) -> None:
        room.listen(("check back", SURE), held=False)
        assert room.listen(held=False).result == "ignored"
        room.listen(("act two forty", SURE), held=False)
        assert acts(room) == [240]

    def test_it_opens_nothing_after_a_while(self, room: Unsure) -> None:
        room.listen(("check back", SURE), held=False)
        room.clock.set(room.clock.now().monotonic_s + 20.0)
        room.listen(("act two forty", SURE), held=False)
        assert acts(room) == []

    def test_the_pedal_needs_no_word(self, room: Unsure) -> None:
        room.listen(("act two forty", SURE), held=True)
        assert acts(room) == [240]

    def test_called_for_sure_it_is_asked_for_again_and_never_taken_for_the_rest(self, room: Unsure) -> None:
        rest = (("act two forty", SURE), ("check back act two fifty", FAR))
        assert room.listen(*rest, held=False).result == "ignored"
        outcome = room.listen(*rest, held=False, called=True)
        assert (outcome.result, acts(room)) == ("asked", [])
        assert room.last_said == "say again"

    def test_called_but_unclear_is_asked_for_again(self, room: Unsure) -> None:
        outcome = room.listen(
            ("check back act two fifteen", ONE), ("check back heart rate fifty", OTHER), held=False
        )
        assert outcome.result == "asked" and acts(room) == []


class TestCalledWithOneSentenceOnly(TestCalledByTheAttentionWord):
    """A recogniser that brings its one sentence and no evidence, as Vosk alone."""

    @pytest.fixture
    def room(self, book: Phrasebook, tmp_path: Path) -> Iterator[Unsure]:
        class Called(Unsure):
            attention = ("check", "back")

            def found(
                self, utterance: Utterance, listed: tuple[tuple[str, Evidence], ...], score: float
            ) -> Heard:
                return Heard(utterance, "vosk", tuple(Hypothesis(words, score) for words, _ in listed[:1]))

        room = Called(book, tmp_path / "case")
        yield room
        room.journal.close()

    def test_called_but_unclear_is_asked_for_again(self, room: Unsure) -> None:
        outcome = room.listen(("check back act two two two two", ONE), held=False)
        assert outcome.result == "asked" and acts(room) == []


def test_the_phrases_of_vosk_have_the_attention_word_before_each_first_word(book: Phrasebook) -> None:
    plain, called = grammar_of(book).phrases, grammar_of(book, ("check", "back")).phrases
    assert called[: len(plain)] == plain
    assert {phrase.split()[0] for phrase in plain} == {
        phrase.split()[2] for phrase in called if phrase.startswith("check back ")
    }
    assert "check back" in called


def test_a_dose_whose_number_has_a_twin_needs_more_certainty(book: Phrasebook) -> None:
    reader = Reader(book, every_size=True)

    def risk(words: str, twin: bool) -> str:
        return risk_of(tuple(reader.read(words)), twin=twin)

    assert risk("metoprolol fifteen milligrams", True) == "twin"
    assert risk("metoprolol five milligrams", False) == "high"
    assert risk("act two fifty", True) == "usual"
    assert ENOUGH["twin"] > ENOUGH["high"] > ENOUGH["usual"]


def test_an_event_taken_for_a_question_would_be_lost(book: Phrasebook) -> None:
    reader = Reader(book, every_size=True)
    assert risk_of(tuple(reader.read("balloon time"))) == "question"
    assert risk_of(tuple(reader.read("balloon down"))) == "usual"
    assert ENOUGH["question"] > ENOUGH["high"]


def test_fifteen_or_fifty_milligrams_is_asked_about_sooner_than_two_or_three(room: Unsure) -> None:
    # sure enough for a dose, and not for one that sounds like another
    nearly = Evidence(False, -5.0, -1.2, 0.5, 0.5)
    plain = room.listen(("metoprolol two milligrams", SURE), ("metoprolol three milligrams", nearly))
    twin = room.listen(("metoprolol fifteen milligrams", SURE), ("metoprolol fifty milligrams", nearly))
    assert (plain.result, twin.result) == ("accepted", "asked")
    assert set(room.loop.expected) == {"fifteen", "fifty"}
