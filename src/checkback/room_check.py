"""Plays something and listens: whether the microphone hears the voice, how loud, and for how long after."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from checkback.errors import UserError
from checkback.hearing.endpointing import BLOCK_S
from checkback.hearing.level import FLOOR_DBFS
from checkback.hearing.microphone import Microphone
from checkback.hearing.recogniser import Pcm
from checkback.speaking.voice import Voice

SENTENCES = ("sound check one", "balloon two point five by twelve", "contrast twenty")
"""Said one after the other; each one's end is listened to."""

BACKGROUND_S = 1.0
LISTENED_AFTER_S = 1.2
"""How long after a sentence its last echo is waited for."""

LEAST_ABOVE_DB = 10.0
"""The voice is heard if it is so far above the background."""

TOO_LOUD_DBFS = -6.0
"""A microphone that hears the voice louder will be cut off by whoever speaks next to it."""

MARGIN_S = 0.1
SHORTEST_S, LONGEST_S = 0.1, 2.0
_STEP_S = 0.05
_SAY_LIMIT_S = 15.0


@dataclass(frozen=True, slots=True)
class RoomSound:
    """What the microphone heard of the voice.

    Attributes
    ----------
    heard : bool
        Whether the voice is well above the background.  With a headset it is not, and need not be.
    level_dbfs, background_dbfs : float
        Level of the voice and of the room without it, dB of full scale.
    tail_s : float
        How long the voice is heard after the program thinks that it has ended, the longest of
        several sentences, s.
    """

    heard: bool
    level_dbfs: float
    background_dbfs: float
    tail_s: float

    @property
    def hold_off_s(self) -> float:
        """The setting `speaking.hold_off_s` that this room needs: the tail and a tenth of a second."""
        steps = math.ceil(round((self.tail_s + MARGIN_S) / _STEP_S, 6))
        return round(min(LONGEST_S, max(SHORTEST_S, steps * _STEP_S)), 2)

    @property
    def verdict(self) -> str:
        """One sentence: what to do, or that all is well."""
        levels = f"the voice at {self.level_dbfs:.0f} dB of full scale over {self.background_dbfs:.0f} dB"
        if not self.heard:
            return (
                "the microphone does not hear the voice, which is right for a headset; otherwise turn the "
                "loudspeaker up"
            )
        if self.level_dbfs > TOO_LOUD_DBFS:
            return f"the microphone hears {levels}, which is too loud: turn one of them down"
        return f"the microphone hears {levels}, for {self.tail_s:.2f} s after its end"


def listen_to_voice(voice: Voice, microphone: Microphone) -> RoomSound:
    """Say a few sentences and listen to them; takes about ten seconds.

    Parameters
    ----------
    voice : Voice
        Is heard, and must tell by `speaking` when it is.
    microphone : Microphone

    Raises
    ------
    UserError
        If the microphone gives no sound, or the voice does not come to an end.
    """
    quiet = _listen(microphone, lambda: False, BACKGROUND_S)
    background = float(np.percentile([power for _, power in quiet], 90))
    threshold = max(background, 1e-9) * 10 ** (LEAST_ABOVE_DB / 10)
    voiced: list[float] = []
    tail_s = 0.0
    for text in SENTENCES:
        said_s = time.monotonic()
        voice.say(text)

        def goes_on(limit_s: float = said_s + _SAY_LIMIT_S) -> bool:
            if time.monotonic() > limit_s:
                raise UserError("The voice did not come to an end: choose another loudspeaker.")
            return voice.speaking

        blocks = _listen(microphone, goes_on, 0.0)
        ended_s = time.monotonic()
        blocks += _listen(microphone, lambda: False, LISTENED_AFTER_S)
        loud = [(start_s, power) for start_s, power in blocks if power > threshold and start_s > said_s]
        voiced += [power for _, power in loud]
        if loud:
            tail_s = max(tail_s, loud[-1][0] + BLOCK_S - ended_s)
    heard = len(voiced) * BLOCK_S > 0.3 * len(SENTENCES)
    level = float(np.mean(voiced)) if voiced else 0.0
    return RoomSound(heard, _dbfs(level), _dbfs(background), max(0.0, tail_s) if heard else 0.0)


def _listen(
    microphone: Microphone, goes_on: Callable[[], bool], at_least_s: float
) -> list[tuple[float, float]]:
    """Return start and power of each block while it goes on, and for some time in any case."""
    until_s = time.monotonic() + at_least_s
    blocks = []
    while goes_on() or time.monotonic() < until_s:
        if (taken := microphone.read_or_tell()) is not None:
            blocks.append((taken[1], _power(taken[0])))
    return blocks


def _power(pcm: Pcm) -> float:
    return float(np.mean(np.square(pcm, dtype=np.float64))) / 32_768**2


def _dbfs(power: float) -> float:
    return max(FLOOR_DBFS, 10 * math.log10(power)) if power > 0 else FLOOR_DBFS
