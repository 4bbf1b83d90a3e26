"""Microphone and voice, tried on the spot while somebody is there to speak and to listen."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from checkback import app
from checkback.hearing.endpointing import BLOCK_S
from checkback.hearing.level import FLOOR_DBFS, Meter
from checkback.hearing.microphone import Microphone
from checkback.hearing.voice_activity import NeuralDetector, PlainDetector, VoiceDetector, neural_runs
from checkback.room_check import RoomSound, listen_to_voice
from checkback.settings import Settings

SPEAK_S = 5.0
"""How long somebody is asked to speak."""

LEAST_VOICE_S = 0.5
"""So much voice at least, and the microphone hears."""

FAINT_DBFS = -50.0
"""A voice that is not louder than this at its loudest leaves little above the noise of a room; from experience,
no source."""

SETTLE_S = 2.0
"""So long nothing is measured: what was just said, and the key that was just pressed, are still in the room.
Equal to the longest `hold_off_s`."""

_SHOWN_EVERY_S = 0.2
_SAY_LIMIT_S = 20.0
_BAR = 30


@dataclass(frozen=True, slots=True)
class Heard:
    """What a microphone heard of somebody who spoke.

    Attributes
    ----------
    voice_s : float
        How long there was a voice, s.
    peak_dbfs : float
        The highest level, dB of full scale.
    clipping : bool
        Whether it was too loud for the microphone.
    """

    voice_s: float
    peak_dbfs: float
    clipping: bool

    @property
    def heard(self) -> bool:
        """Whether there was a voice at all."""
        return self.voice_s >= LEAST_VOICE_S

    @property
    def verdict(self) -> str:
        """One sentence: what was heard, and what to do."""
        peak = f"{self.peak_dbfs:.0f} dB of full scale"
        if self.peak_dbfs <= FLOOR_DBFS:
            return "nothing at all was heard: it is muted or not connected"
        if not self.heard:
            return (
                f"no voice was heard, only sound up to {peak}: speak towards it, or name another microphone"
            )
        if self.clipping:
            return f"you were heard, and were too loud ({peak}): turn the microphone down"
        if self.peak_dbfs < FAINT_DBFS:
            return f"you were heard, but faintly ({peak}): turn the microphone up, or bring it nearer"
        return f"you were heard, up to {peak}"


def bar(level_dbfs: float) -> str:
    """Return a level as a bar of fixed length, from -60 dB to full scale."""
    full = round(_BAR * min(1.0, max(0.0, (level_dbfs + 60) / 60)))
    return f"[{'#' * full}{'.' * (_BAR - full)}] {level_dbfs:4.0f} dB"


def try_microphone(name: str | None, show: Callable[[str], None], *, speak_s: float = SPEAK_S) -> Heard:
    """Listen for some seconds, and show the level meanwhile.

    Parameters
    ----------
    name : str or None
        As in the settings.
    show : callable
        Is given the level as a bar, several times a second.
    speak_s : float

    Raises
    ------
    UserError
        If it cannot be opened, or gives no sound.
    """
    detector: VoiceDetector = NeuralDetector() if neural_runs() else PlainDetector(BLOCK_S)
    microphone = Microphone(name)
    meter = Meter()
    voiced = blocks = 0
    peak_dbfs = FLOOR_DBFS
    try:
        until_s = time.monotonic() + speak_s
        shown_s = 0.0
        while (now_s := time.monotonic()) < until_s:
            if (block := microphone.read()) is None:
                continue
            blocks += 1
            meter.feed(*block)
            voiced += detector.is_speech(block[0])
            peak_dbfs = max(peak_dbfs, meter.level_dbfs)
            if now_s - shown_s >= _SHOWN_EVERY_S:
                shown_s = now_s
                show(bar(meter.level_dbfs))
    finally:
        microphone.close()
    if not blocks:
        raise microphone.without_sound()
    return Heard(voiced * BLOCK_S, peak_dbfs, meter.clipping)


def try_voice(settings: Settings, sentence: str, show: Callable[[str], None]) -> None:
    """Say a sentence through the loudspeaker that the settings name, and wait for its end.

    Raises
    ------
    UserError
        If there is no voice or loudspeaker.
    """
    aloud = settings.model_copy(
        update={"speaking": settings.speaking.model_copy(update={"voice": "loudspeaker"})}
    )
    voice = app.make_voice(app.in_language_of(app.load_book(aloud), aloud), show=show)
    try:
        until_s = time.monotonic() + _SAY_LIMIT_S
        voice.say(sentence)
        while voice.speaking and time.monotonic() < until_s:
            time.sleep(0.05)
    finally:
        voice.close()


def try_room(settings: Settings, show: Callable[[str], None]) -> RoomSound:
    """Let the voice speak and listen to it; takes about twelve seconds.

    Raises
    ------
    UserError
        If microphone, voice or loudspeaker cannot be opened.
    """
    aloud = settings.model_copy(
        update={"speaking": settings.speaking.model_copy(update={"voice": "loudspeaker"})}
    )
    microphone = Microphone(settings.hearing.microphone)
    try:
        voice = app.make_voice(app.in_language_of(app.load_book(aloud), aloud), show=show)
        try:
            until_s = time.monotonic() + SETTLE_S
            while time.monotonic() < until_s:
                microphone.read()
            return listen_to_voice(voice, microphone)
        finally:
            voice.close()
    finally:
        microphone.close()
