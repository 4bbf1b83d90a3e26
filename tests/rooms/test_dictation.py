"""Notes between "note" and "end note": spoken to the loop, typed, cut off, and withdrawn."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from hashlib import sha256
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
import soundfile

from checkback import dictation
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, FreeText, Heard, Hypothesis, Pcm, Utterance
from checkback.language.phrasebook import Phrasebook
from checkback.loop import Loop, Outcome
from checkback.record.clock import HandClock
from checkback.record.entry import Dictation, Entry
from checkback.record.journal import Journal, verify
from checkback.speaking.voices import TextVoice
from checkback.watching.limits import load as load_limits

GRAMMARS = Path(__file__).parents[2] / "grammars"
LIMITS = load_limits(GRAMMARS)
START = datetime(2026, 3, 2, 14, 22, 0, tzinfo=timezone(timedelta(hours=1)))


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    return Phrasebook.load(GRAMMARS)


def tone(seconds: float, hz: float = 220.0) -> Pcm:
    at = np.arange(round(seconds * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    return (8_000 * np.sin(2 * np.pi * hz * at)).astype(np.int16)


class Room:
    """A loop with a hand-set clock; what is said is given as words of the grammar and as free text."""

    def __init__(
        self, book: Phrasebook, folder: Path, *, keep_sound: bool = False, attention: tuple[str, ...] = ()
    ) -> None:
        self.book, self.folder, self.keep_sound, self.attention = book, folder, keep_sound, attention
        self.clock = HandClock(START)
        self.spoken = StringIO()
        self.shown: list[str] = []
        self.open()

    def open(self) -> None:
        self.journal = Journal.open(self.folder)
        self.loop = Loop(
            self.book,
            self.journal,
            self.clock,
            TextVoice(self.spoken, mark=""),
            limits=LIMITS,
            recogniser="test",
            program_version="0",
            show=self.shown.append,
            keep_dictation_sound=self.keep_sound,
            attention=self.attention,
        )

    def hear(
        self,
        words: str = "",
        free: str | None = None,
        *,
        at_s: float | None = None,
        held: bool = True,
        pcm: Pcm | None = None,
        fits: bool = True,
    ) -> Outcome:
        now_s = self.clock.now().monotonic_s
        at_s = now_s + 4.0 if at_s is None else at_s
        self.clock.set(max(now_s, at_s + 1.0))
        sound = tone(1.0) if pcm is None else pcm
        utterance = Utterance(sound, at_s, at_s + 1.0, held=held, dictated=self.loop.dictating)
        found = (Hypothesis(words, -20.0, likely_speech_to_us=fits),) if words else ()
        written = None if free is None else FreeText(free, -1.0, 0.01 if free else 0.9, writer="whisper")
        if utterance.dictated:
            return self.loop.heard(Heard(utterance, "test", found, note=written))
        return self.loop.heard(Heard(utterance, "test", found, written))

    def tick(self, at_s: float) -> None:
        self.clock.set(at_s)
        self.loop.tick()

    @property
    def notes(self) -> list[Entry]:
        """The notes in force."""
        return [e for e in self.loop.case.in_force() if isinstance(e.body, Dictation)]

    @property
    def note(self) -> Dictation:
        """The only note in force."""
        (entry,) = self.notes
        assert isinstance(entry.body, Dictation)
        return entry.body

    def said(self) -> str:
        text = self.spoken.getvalue()
        self.spoken.truncate(0)
        self.spoken.seek(0)
        return text


@pytest.fixture
def room(book: Phrasebook, tmp_path: Path) -> Iterator[Room]:
    room = Room(book, tmp_path / "case")
    yield room
    room.journal.close()
    assert verify(tmp_path / "case").first_break is None


class TestSpoken:
    def test_a_passage_becomes_one_entry(self, room: Room) -> None:
        outcome = room.hear("note", "Note.", at_s=10.0)
        assert outcome.result == "accepted"
        assert room.loop.dictating
        assert room.said() == "note\n"
        room.hear("", "Difficult wiring of the side branch,", at_s=14.0)
        room.hear("", "reverse wire technique needed.", at_s=19.0)
        assert room.said() == ""
        outcome = room.hear("end note", "End note.", at_s=24.0)
        assert not room.loop.dictating
        assert room.note.text == "Difficult wiring of the side branch, reverse wire technique needed."
        assert (room.note.writer, room.note.ended_by, room.note.clip) == ("whisper", "said", None)
        assert room.notes[0].at.wall == START + timedelta(seconds=10)
        assert room.note.ended == START + timedelta(seconds=25)
        assert outcome.reply == f"note: {room.note.text}"
        assert not (room.folder / dictation.FOLDER).exists()

    def test_each_part_is_on_disk_before_the_next(self, room: Room) -> None:
        room.hear("note")
        room.hear("", "First part.")
        entries = Journal.read(room.folder)
        assert isinstance(entries[-1].body, Dictation)
        assert (entries[-1].body.text, entries[-1].body.ended) == ("First part.", None)

    def test_a_call_out_inside_a_note_is_part_of_it_and_nothing_else(self, room: Room) -> None:
        room.hear("note")
        room.hear("heparin five thousand units", "Heparin 5000 units.")
        room.hear("end note", "End note.")
        assert room.note.text == "Heparin 5000 units."
        assert [e.body.kind for e in room.loop.case.in_force()] == ["session", "dictation"]
        room.hear("heparin five thousand units", "Heparin 5000 units.")
        assert room.loop.case.in_force()[-1].body.kind == "drug"

    @pytest.mark.parametrize("end", ["End note.", "end note", "Endnote.", "End of note."])
    def test_the_end_is_found_behind_other_words(self, room: Room, end: str) -> None:
        room.hear("note")
        room.hear("", f"The patient was anxious, {end}")
        assert room.note.text == "The patient was anxious"
        assert room.note.ended_by == "said"

    def test_the_grammar_alone_does_not_end_a_note_while_more_was_written(self, room: Room) -> None:
        # the grammar takes any sound for some sentence
        room.hear("note")
        room.hear("end note", "and no one had seen it before")
        assert room.loop.dictating
        assert room.note.text == "and no one had seen it before"

    @pytest.mark.parametrize("written", ["N node.", "And note. And note.", ""])
    def test_the_grammar_ends_a_note_where_the_writer_was_lost(self, room: Room, written: str) -> None:
        room.hear("note")
        room.hear("", "All quiet.")
        room.hear("end note", written)
        assert not room.loop.dictating
        assert room.note.text == "All quiet."

    @pytest.mark.parametrize(
        ("said", "written"),
        [
            ("check back end note", "Check back, end note."),
            ("check back end note", "Checkback. End note."),
            ("check back end note", "Jack Beck and node."),
            ("end note", "The stump was flush. Check back, end note."),
        ],
    )
    def test_the_attention_words_before_the_end_are_no_part_of_it(
        self, book: Phrasebook, tmp_path: Path, said: str, written: str
    ) -> None:
        room = Room(book, tmp_path / "called", attention=("check", "back"))
        room.hear("check back begin note", "Check back, begin note.", held=False)
        assert room.loop.dictating
        room.hear("", "We check back later.", held=False)
        room.hear(said, written, held=False)
        assert not room.loop.dictating
        assert room.note.text == "We check back later." + (
            " The stump was flush." if "stump" in written else ""
        )
        room.journal.close()

    def test_all_in_one_breath(self, room: Room) -> None:
        outcome = room.hear("balloon out", "Note, the patient was anxious, end note.", held=False)
        assert outcome.result == "accepted"
        assert room.note.text == "the patient was anxious"
        assert not room.loop.dictating

    def test_talk_that_begins_with_the_word_is_no_note(self, room: Room) -> None:
        outcome = room.hear("", "Note that the table is high.", held=False)
        assert outcome.result == "ignored"
        assert room.notes == []

    def test_in_the_open_room_the_grammar_alone_needs_the_longer_words(self, room: Room) -> None:
        assert room.hear("note", held=False).result == "ignored"
        assert room.hear("begin note", held=False).result == "accepted"
        assert room.loop.dictating

    def test_disregard_withdraws_it_and_keeps_it_in_the_journal(self, room: Room) -> None:
        room.hear("note")
        room.hear("", "Not what I meant.")
        room.hear("disregard", "Disregard.")
        assert not room.loop.dictating
        assert room.notes == []
        kept = [e.body.text for e in room.loop.case.entries if isinstance(e.body, Dictation)]
        assert "Not what I meant." in kept

    def test_disregard_within_a_sentence_is_a_word_of_it(self, room: Room) -> None:
        room.hear("note")
        room.hear("", "We disregard the old film.")
        assert room.note.text == "We disregard the old film."

    def test_the_pedal_withdraws_it(self, room: Room) -> None:
        room.hear("note")
        room.loop.pressed("withdraw")
        assert room.notes == []
        assert not room.loop.dictating

    def test_the_end_without_a_beginning_is_told(self, room: Room) -> None:
        assert room.hear("end note", "End note.").reply == "no note is open"

    def test_noise_adds_no_words(self, room: Room) -> None:
        room.hear("note")
        utterance = Utterance(tone(1.0), 6.0, 7.0, dictated=True)
        room.loop.heard(Heard(utterance, "test", note=FreeText("Thank you.", -9.0, 0.8)))
        assert room.note.text == ""

    def test_a_long_note_is_not_said_back_word_by_word(self, room: Room) -> None:
        room.hear("note")
        room.hear("", " ".join(["word"] * 20))
        assert room.hear("end note", "End note.").reply == "note recorded, twenty words"

    def test_a_correction_afterwards_finds_the_entry_before_the_note_by_number(self, room: Room) -> None:
        room.hear("a c t two fifty five")
        act = room.loop.case.last()
        assert act is not None
        room.hear("note", "Note.")
        room.hear("", "All quiet. End note.")
        assert room.hear("disregard").result == "accepted"
        assert room.notes == []
        assert room.loop.case.last() == act


class TestLength:
    def test_an_open_note_is_spoken_of_and_at_last_ended(self, room: Room) -> None:
        room.hear("note", at_s=0.0)
        room.hear("", "Something.", at_s=5.0)
        room.said()
        room.tick(dictation.REMIND_S - 1)
        assert room.said() == ""
        room.tick(dictation.REMIND_S + 2)
        room.tick(dictation.REMIND_S + 3)
        assert room.said() == "the note is still open\n"
        room.tick(dictation.LONGEST_S + 1)
        assert room.said() == "the note was ended, it was too long\n"
        assert (room.note.text, room.note.ended_by) == ("Something.", "length")
        assert not room.loop.dictating
        room.hear("heparin five thousand units", at_s=dictation.LONGEST_S + 5)
        assert room.loop.case.in_force()[-1].body.kind == "drug"

    def test_what_was_said_before_the_end_and_written_after_it_belongs_to_the_note(self, room: Room) -> None:
        room.hear("note", at_s=0.0)
        late = Utterance(tone(1.0), dictation.LONGEST_S - 3, dictation.LONGEST_S - 1, dictated=True)
        room.tick(dictation.LONGEST_S + 1)
        words = (Hypothesis("heparin five thousand units"),)
        room.loop.heard(Heard(late, "test", words, note=FreeText("Heparin 5000 units.", -1.0, 0.0)))
        assert room.note.text == "Heparin 5000 units."
        assert room.note.ended_by == "length"
        assert [e.body.kind for e in room.loop.case.in_force()] == ["session", "dictation"]


class TestSound:
    def test_without_a_writer_the_sound_is_kept_and_that_is_said(self, room: Room) -> None:
        first, second = tone(1.0), tone(0.5, 440.0)
        room.hear("note")
        room.hear("balloon out", pcm=first)
        room.hear("", pcm=second)
        outcome = room.hear("end note")
        assert outcome.reply == "note kept as sound. words need a dictation model"
        assert (room.note.text, room.note.writer) == ("", None)
        assert room.note.clip is not None
        clip = room.folder / room.note.clip
        assert sha256(clip.read_bytes()).hexdigest() == room.note.clip_sha256
        sound, rate_hz = soundfile.read(clip, dtype="int16")
        assert rate_hz == SAMPLE_RATE_HZ
        assert np.array_equal(sound[: len(first)], first)
        assert np.array_equal(sound[-len(second) - rate_hz // 3 : -(rate_hz // 3)], second)
        assert list(clip.parent.iterdir()) == [clip]

    def test_with_words_the_sound_is_kept_if_the_settings_say_so(
        self, book: Phrasebook, tmp_path: Path
    ) -> None:
        room = Room(book, tmp_path / "kept", keep_sound=True)
        room.hear("note", "Note.")
        room.hear("", "All quiet.")
        room.hear("end note", "End note.")
        room.journal.close()
        assert room.note.text == "All quiet."
        assert room.note.clip is not None
        assert (room.folder / room.note.clip).stat().st_size > 100

    def test_a_full_disk_costs_no_sound(self, room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
        room.hear("note")
        with monkeypatch.context() as full:

            def no_room(fd: int) -> None:
                raise OSError(28, "No space left on device")

            full.setattr(dictation.os, "fsync", no_room)
            room.hear("", pcm=tone(1.0))
            room.hear("end note")
            assert room.note.ended_by == "said"
            assert room.note.clip is None
            assert any("not saved yet" in line for line in room.shown)
        room.loop.tick()
        assert room.note.clip is not None
        assert len(soundfile.read(room.folder / room.note.clip)[0]) >= SAMPLE_RATE_HZ


class TestRestart:
    def test_a_restart_in_the_middle_loses_nothing(self, room: Room) -> None:
        room.hear("note")
        room.hear("", "Written before the power went.")
        room.hear("", pcm=tone(1.0))
        room.journal.close()
        room.said()
        room.open()
        assert room.said() == "the note was ended by the restart\n"
        assert not room.loop.dictating
        assert (room.note.text, room.note.ended_by) == ("Written before the power went.", "restart")
        assert room.note.clip is not None
        assert soundfile.info(room.folder / room.note.clip).duration == pytest.approx(4 / 3, abs=0.01)
        room.journal.close()
        room.open()
        assert len(room.notes) == 1

    def test_the_end_of_the_program_ends_it(self, room: Room) -> None:
        room.hear("note")
        room.hear("", "Last words.")
        room.loop.finish()
        assert (room.note.text, room.note.ended_by) == ("Last words.", "stop")


class TestTyped:
    def test_in_one_line(self, room: Room) -> None:
        outcome = room.loop.typed("note radial loop at 1 p.m., changed to 5 Fr end note")
        assert outcome.result == "accepted"
        assert (room.note.text, room.note.writer) == ("radial loop at 1 p.m., changed to 5 Fr", "typed")
        assert room.notes[0].source == "typed"

    def test_a_line_ends_it_too(self, room: Room) -> None:
        room.loop.typed("note: family is informed")
        assert room.note.text == "family is informed"
        assert room.note.ended_by == "said"

    def test_in_several_lines(self, room: Room) -> None:
        for line in ("note", "heparin 5000 units", "was given late end note"):
            room.loop.typed(line)
        assert room.note.text == "heparin 5000 units was given late"
        assert room.loop.typed("heparin 5000 units").entries[0].body.kind == "drug"

    def test_typed_call_outs_go_on_while_somebody_dictates(self, room: Room) -> None:
        room.hear("note", "Note.")
        room.loop.typed("heparin 5000 units")
        room.hear("", "And so on. End note.")
        assert room.note.text == "And so on."
        assert [e.body.kind for e in room.loop.case.in_force()] == ["session", "dictation", "drug"] or [
            e.body.kind for e in room.loop.case.in_force()
        ] == ["session", "drug", "dictation"]

    def test_typed_disregard_gives_up_the_open_note(self, room: Room) -> None:
        room.hear("a c t two fifty five")
        room.loop.typed("note")
        room.loop.typed("disregard")
        assert room.notes == []
        assert room.loop.case.last_act() is not None
