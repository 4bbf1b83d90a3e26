"""Whether somebody speaks over the program's own voice, told by level and without recognising a word.

What the voice gives at the microphone is learned from its own sentences: nearly nothing with a headset,
much with a loudspeaker in the room.  Only what is well above that counts.  Where the voice is as loud at
the microphone as people are, nothing ever does: it is better not to be interrupted than to fall
silent by oneself.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from checkback.hearing.endpointing import BLOCK_S
from checkback.hearing.recogniser import Pcm
from checkback.hearing.voice_activity import VoiceDetector, best_detector

LASTS_S = 0.3
"""Somebody has to speak over the voice for so long."""

ABOVE_VOICE_DB = 6.0
"""So far above what a tenth of the voice's blocks exceed at the microphone: above any of them."""

ABOVE_BACKGROUND_DB = 8.0
LEAST_DBFS = -50.0
"""Below that nobody speaks to this microphone."""

BEGINS_S = 0.6
"""In its first moments a voice that was turned up looks like somebody else: nothing counts, and it is learned."""

LEARNED_FROM = 3
"""So many sentences are listened to before anything counts."""

REMEMBERED = 8
"""So many sentences back the quietest but one counts: over the others somebody may have spoken."""

SENTENCE_S = 0.5
"""What is shorter teaches nothing."""

_FALL_DB = 1.5  # per block: 10 dB in a fifth of a second, over the gaps between syllables
_FORGETS = 0.02  # per block, of the background
_SILENCE_DBFS = -100.0
_LASTS_BLOCKS = round(LASTS_S / BLOCK_S)
_BEGINS_BLOCKS = round(BEGINS_S / BLOCK_S)


@dataclass
class _Stretch:
    """The voice from when it begins to when it ends."""

    counts: bool
    blocks: int = 0
    run: int = 0
    level_dbfs: float = _SILENCE_DBFS
    levels_dbfs: list[float] = field(default_factory=list)


class Interruption:
    """Listens while the voice speaks.

    Synchronous and without a clock of its own: time is counted in blocks.

    Parameters
    ----------
    detector : VoiceDetector or None
        Tells voices from noise; None: the best that runs on this computer.
    """

    def __init__(self, detector: VoiceDetector | None = None) -> None:
        self._detector = best_detector(BLOCK_S) if detector is None else detector
        self._learned: deque[float] = deque(maxlen=REMEMBERED)
        self._background = 0.0
        self._speaking = False
        self._stretch: _Stretch | None = None

    @property
    def voice_dbfs(self) -> float | None:
        """How loud the voice is at the microphone, dB of full scale; None: not learned yet."""
        if len(self._learned) < LEARNED_FROM:
            return None
        return sorted(self._learned)[1]

    @property
    def threshold_dbfs(self) -> float | None:
        """The level from which on somebody else speaks, dB of full scale; None: not learned yet."""
        voice_dbfs = self.voice_dbfs
        if voice_dbfs is None:
            return None
        return max(voice_dbfs + ABOVE_VOICE_DB, _dbfs(self._background) + ABOVE_BACKGROUND_DB, LEAST_DBFS)

    def begin(self, *, in_speech: bool) -> None:
        """Note that the voice begins; with `in_speech` over somebody, who then does not interrupt it."""
        self._detector.reset()
        self._speaking = True
        self._stretch = _Stretch(counts=not in_speech)

    def end(self) -> None:
        """Note that the voice has ended."""
        self._speaking = False
        stretch, self._stretch = self._stretch, None
        if stretch is not None and len(stretch.levels_dbfs) * BLOCK_S >= SENTENCE_S:
            self._learned.append(float(np.percentile(stretch.levels_dbfs, 90)))

    def leave_out(self) -> None:
        """Note that the talk pedal is held while the voice speaks: nothing counts and nothing is learned."""
        self._stretch = None

    def feed(self, block: Pcm) -> bool:
        """Take the next block; return whether the voice is to stop now.

        Parameters
        ----------
        block : ndarray of int16, shape (480,)
            30 ms of mono sound at 16 kHz, while the voice speaks or nobody does.
        """
        if self._speaking and self._stretch is None:
            return False
        power = float(np.mean(np.square(block, dtype=np.float64))) / 32_768**2
        if self._stretch is not None:
            return self._over_voice(self._stretch, block, _dbfs(power))
        # speech is no background: a step up is followed slowly
        self._background += _FORGETS * (min(power, 10 * self._background or power) - self._background)
        return False

    def _over_voice(self, stretch: _Stretch, block: Pcm, level_dbfs: float) -> bool:
        voiced = self._detector.is_speech(block)
        stretch.blocks += 1
        stretch.level_dbfs = max(level_dbfs, stretch.level_dbfs - _FALL_DB)
        stretch.levels_dbfs.append(level_dbfs)
        threshold_dbfs = self.threshold_dbfs
        if threshold_dbfs is None or not stretch.counts:
            return False
        stretch.run = stretch.run + 1 if voiced and stretch.level_dbfs > threshold_dbfs else 0
        if stretch.blocks <= _BEGINS_BLOCKS:
            stretch.counts = stretch.blocks < _BEGINS_BLOCKS or stretch.run < _LASTS_BLOCKS / 2
            return False
        stretch.counts = stretch.run < _LASTS_BLOCKS
        return not stretch.counts


def _dbfs(power: float) -> float:
    return max(_SILENCE_DBFS, 10 * float(np.log10(power))) if power > 0 else _SILENCE_DBFS
