"""What listens for speech over the voice fails: it is told, and hearing goes on."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from bailout_room import BailoutRoom
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES, Segmenter
from checkback.hearing.interruption import Interruption
from checkback.hearing.microphone import Microphone
from checkback.hearing.pedals.events import PedalEvent
from checkback.hearing.recogniser import Heard, Pcm, Utterance
from checkback.listening import ERRORS, Listening
from checkback.speaking.polite import GIVES_WAY_S, PoliteVoice
from checkback.speaking.voice import Sentence, Tone, Urgency
from checkback.speaking.voices import SilentVoice


class Broken:
    """A detector that fails, as a network can that runs out of memory."""

    def is_speech(self, block: Pcm) -> bool:
        raise MemoryError

    def reset(self) -> None:
        """Do nothing."""


class Shouted:
    """A detector that takes any sound for a voice."""

    def is_speech(self, block: Pcm) -> bool:
        return bool(block.any())

    def reset(self) -> None:
        """Do nothing."""


LOUD, SILENT = np.full(BLOCK_SAMPLES, 900, np.int16), np.zeros(BLOCK_SAMPLES, np.int16)


class Talking(SilentVoice):
    """A voice that is heard all the time."""

    @property
    def speaking(self) -> bool:
        return True


class Deaf:
    name = "deaf"

    def hear(self, utterance: Utterance) -> Heard:
        return Heard(utterance, self.name)

    def close(self) -> None:
        """Do nothing."""


class Quiet(Microphone):
    """A microphone that gives faint noise and ends the room after so many blocks."""

    name, hearing, overflows, reconnections = "quiet", True, 0, 0

    def __init__(self) -> None:
        self.blocks = 0
        self.room: Listening | None = None
        self._noise = np.random.default_rng(1)

    def read(self, timeout_s: float = 0.1) -> tuple[Pcm, float] | None:
        time.sleep(0.001)
        self.blocks += 1
        if self.blocks == 20 and self.room is not None:
            self.room.stop()
        return self._noise.integers(-9, 9, BLOCK_SAMPLES).astype(np.int16), time.monotonic() - BLOCK_S


def test_hearing_goes_on_without_it(tmp_path: Path) -> None:
    case = BailoutRoom(tmp_path / "case")
    shown: list[str] = []
    microphone = Quiet()
    microphone.room = room = case.listening(
        tmp_path,
        PoliteVoice(Talking()),
        recogniser=Deaf(),
        microphone=microphone,
        interruption=Interruption(Broken()),
        show=shown.append,
    )
    room.run()
    case.close()
    told = [line for line in shown if ERRORS in line]
    assert len(told) == 1 and told[0].startswith("speech no longer stops the voice"), shown
    assert "MemoryError" in (tmp_path / ERRORS).read_text(encoding="utf-8")
    assert microphone.blocks == 20


class Slow(SilentVoice):
    """A voice whose sentences are not over before they are silenced."""

    def __init__(self) -> None:
        self._unsaid: list[Sentence] = []

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        self._unsaid.append(Sentence(text, urgency, tone))

    def stop(self) -> tuple[Sentence, ...]:
        unsaid, self._unsaid = tuple(self._unsaid), []
        return unsaid


def test_what_a_press_of_talk_silences_is_shown(tmp_path: Path) -> None:
    case = BailoutRoom(tmp_path / "case")
    shown: list[str] = []
    voice = PoliteVoice(Slow())
    room = case.listening(tmp_path, voice, show=shown.append)
    for pressed in (True, False):
        room.press(PedalEvent("talk", pressed, 0.0))
    voice.say("heparin, five thousand units")
    voice.say("", Urgency.REMINDER, "attention")
    voice.say("a clotting time is due", Urgency.REMINDER)
    voice.say("above rated burst", Urgency.CRITICAL)
    room.press(PedalEvent("talk", True, 1.0))
    room.stop()
    room.run()
    case.close()
    assert shown == ["not spoken: heparin, five thousand units; a clotting time is due (talk was pressed)"]


def test_the_next_check_back_begins_with_what_somebody_spoke_over(tmp_path: Path) -> None:
    speaker = Slow()
    voice = PoliteVoice(speaker)
    case = BailoutRoom(tmp_path / "case", voice=voice)
    room = case.listening(tmp_path, voice)

    def say(line: str) -> list[str]:
        """Type a line; return what the voice has begun to say since."""
        room.type(line)
        room.stop()
        room.run()
        voice.follow(False, time.monotonic() + GIVES_WAY_S)
        return [each.text for each in speaker._unsaid]

    (heparin,) = say("heparin 5000 units")
    voice.give_way()
    again, act = say("act 280")
    assert again == f"before that, {heparin}" and act.startswith("a c t")
    case.close()


class Hasty(Deaf):
    def __init__(self) -> None:
        self.begun: list[str] = []

    def follow(self, so_far: Utterance) -> None:
        self.begun.append("follow")
        raise MemoryError

    def prepare(self, utterance: Utterance) -> None:
        self.begun.append("prepare")
        raise MemoryError


def test_what_fails_before_the_end_of_an_utterance_costs_no_hearing(tmp_path: Path) -> None:
    case = BailoutRoom(tmp_path / "case")
    shown: list[str] = []
    hasty = Hasty()
    room = case.listening(
        tmp_path, PoliteVoice(SilentVoice()), recogniser=hasty, microphone=Quiet(), show=shown.append
    )
    # as the microphone's thread does, which would end of a fault that came through
    segmenter = Segmenter(Shouted())
    segmenter.press()
    for n, block in enumerate([*[LOUD] * 12, *[SILENT] * 4]):
        segmenter.feed(block, n * BLOCK_S)
        room._begin(segmenter)
    case.close()
    assert hasty.begun == ["follow"] * 3 + ["prepare"] * 3
    assert [line for line in shown if ERRORS in line]
    assert "MemoryError" in (tmp_path / ERRORS).read_text(encoding="utf-8")


@pytest.mark.parametrize("open_room", [False, True], ids=["only with the pedal", "open room"])
def test_nobody_is_followed_who_is_not_to_be_heard(tmp_path: Path, open_room: bool) -> None:
    case = BailoutRoom(tmp_path / "case")
    hasty = Hasty()
    room = case.listening(
        tmp_path, PoliteVoice(SilentVoice()), recogniser=hasty, microphone=Quiet(), open_room=open_room
    )
    segmenter = Segmenter(Shouted())
    for n in range(24):
        segmenter.feed(LOUD, n * BLOCK_S)
        room._begin(segmenter)
    assert bool(hasty.begun) == open_room
    case.close()
