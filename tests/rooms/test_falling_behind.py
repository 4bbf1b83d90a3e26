"""Decoding is slower than speech: it is told, shown, and on record what was not heard."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from bailout_room import START, BailoutRoom
from checkback.display import room_of
from checkback.hearing.backlog import MOST_WAITING_S
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Heard, Utterance
from checkback.listening import BEHIND_S
from checkback.record.entry import Dictation, Unclear
from checkback.speaking.polite import PoliteVoice
from checkback.speaking.voices import TextVoice


class Deaf:
    name = "deaf"

    def hear(self, utterance: Utterance) -> Heard:
        return Heard(utterance, self.name)

    def close(self) -> None:
        """Do nothing."""


class Room(BailoutRoom):
    """A live room in which nothing is decoded until it is asked for; an utterance is half of what may wait."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.live = self.listening(
            folder, PoliteVoice(TextVoice(self.said)), recogniser=Deaf(), show=self.shown.append
        )

    def speak(self, at_s: float, *, held: bool = False) -> None:
        pcm = np.zeros(round(MOST_WAITING_S / 2 * SAMPLE_RATE_HZ), dtype=np.int16)
        self.live._pass_on([Utterance(pcm, at_s, at_s + 3.0, held)])

    def run(self) -> None:
        """Let the owner of the case take what has come."""
        self.live.stop()
        self.live.run()


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Room]:
    room = Room(tmp_path / "case")
    yield room
    room.close()


def test_what_is_given_up_is_on_record_and_asked_for(room: Room) -> None:
    room.clock.set(400.0)
    for at_s in (10.0, 20.0, 30.0, 40.0):
        room.speak(at_s)
    room.run()
    entry = room.journal.entries[-1]
    assert isinstance(entry.body, Unclear) and room.loop.case.standing(entry)[0] == "questioned"
    assert entry.said.wall == START + timedelta(seconds=10)
    lost = [line for line in room.shown if line.startswith("not heard")]
    assert [line[:36] for line in lost] == [f"not heard: 3 s of speech at 09:00:{s}" for s in (10, 20)]
    assert len(room.loop.case.questions()) == 1, "talk within a minute is one entry"
    assert "not everything was heard, say it again" in room.said.getvalue()
    # at the end it is asked for by its time, for there are no words
    room.say("what is missing")
    for _ in range(20):
        if "something was not heard" in room.said.getvalue():
            break
        room.say("skip")
    room.say("negative")
    assert room.loop.case.questions() == []


def test_with_the_pedal_held_each_is_an_entry(room: Room) -> None:
    room.clock.set(400.0)
    for at_s in (10.0, 20.0, 30.0, 40.0):
        room.speak(at_s, held=True)
    room.run()
    questions = room.loop.case.questions()
    assert [each.said.monotonic_s for each in questions] == [10.0, 20.0]


def lost(room: Room, at_s: float, *, held: bool = False) -> None:
    pcm = np.zeros(SAMPLE_RATE_HZ, dtype=np.int16)
    room.loop.heard(Heard(Utterance(pcm, at_s, at_s + 3.0, held), "deaf", given_up=True))


def test_what_goes_on_being_lost_is_an_entry_a_minute(room: Room) -> None:
    room.clock.set(2000.0)
    for at_s in range(10, 250, 30):
        lost(room, at_s)
    assert [each.said.monotonic_s for each in room.loop.case.questions()] == [10.0, 70.0, 130.0, 190.0]


def test_what_is_lost_after_the_first_was_dropped_is_a_new_entry(room: Room) -> None:
    room.clock.set(2000.0)
    lost(room, 10.0)
    room.say("disregard")
    assert room.loop.case.questions() == []
    lost(room, 40.0)
    assert [each.said.monotonic_s for each in room.loop.case.questions()] == [40.0]


def test_what_the_pedal_was_held_for_while_a_note_waits_for_its_end_is_on_record(room: Room) -> None:
    room.clock.set(5.0)
    room.hear("begin note", held=True)
    room.clock.set(40.0)
    lost(room, 20.0, held=True)
    assert [each.said.monotonic_s for each in room.loop.case.questions()] == [20.0]
    assert any(line.startswith("not heard: 3 s of speech at 09:00:20") for line in room.shown)
    assert "not everything was heard, say it again" in room.said.getvalue()


def test_in_a_note_its_sound_is_kept(room: Room) -> None:
    room.clock.set(5.0)
    room.hear("begin note", held=True)
    room.clock.set(400.0)
    for at_s in (10.0, 20.0, 30.0):
        room.speak(at_s)
    room.run()
    room.loop.finish()
    note = room.loop.case.latest(Dictation)
    assert note is not None and isinstance(note.body, Dictation) and note.body.clip is not None
    assert (room.folder / note.body.clip).stat().st_size > 0
    assert [each.said.monotonic_s for each in room.loop.case.questions()] == [10.0]


def test_that_it_falls_behind_is_told_once_and_that_it_has_caught_up(room: Room) -> None:
    now_s = room.live.ticked_s
    room.speak(now_s - BEHIND_S - 10.0)
    for _ in range(3):
        room.live._tick()
    assert room.shown.count("hearing falls behind, wait for the check-back") == 1
    assert room_of(room.live).trouble == "behind"
    while room.live._backlog.behind_s(now_s):
        room.live._backlog.end()
        room.live._backlog.get()
    for _ in range(3):
        room.live._tick()
    assert [line.strip("» ") for line in room.said.getvalue().splitlines()] == [
        "hearing falls behind, wait for the check-back",
        "hearing has caught up",
    ]
    assert room_of(room.live).trouble == ""
