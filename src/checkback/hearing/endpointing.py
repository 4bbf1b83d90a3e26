"""Where an utterance begins and ends: by voice activity, or by the talk pedal."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm, Utterance
from checkback.hearing.voice_activity import PlainDetector, VoiceDetector, best_detector

#: Length of a block: 30 ms, which voice activity detection works in.
BLOCK_SAMPLES = 480
BLOCK_S = BLOCK_SAMPLES / SAMPLE_RATE_HZ

#: Longest utterance; speech that goes on is cut here and continued in the next one.
LONGEST_S = 15.0

#: Voiced blocks that make speech out of noise: the shortest words reach it, a monitor's beep of
#: 100 ms does not.  The detector's holding on is counted too.
ONSET_BLOCKS = 7
#: Unvoiced blocks after which voiced ones are counted afresh.
FORGET_BLOCKS = 8
#: Unvoiced blocks that belong to the speech around them in any case (closures of consonants).
BRIDGED_BLOCKS = 4

#: Detected silence that ends an utterance.  The detectors hold on for about 0.15 s after speech, so
#: pauses up to about 0.55 s stay inside.
SILENCE_BLOCKS = 14
#: Detected silence after which the utterance is offered as pending, and that is kept behind it.
TAIL_BLOCKS = 2
#: Sound kept before the first voiced block, and before the press of the pedal: 240 ms.
LEAD_BLOCKS = 8

#: Speech that is found so soon after a muted stretch had begun inside it: of speech that goes on already,
#: the neural detector finds 19 in 20 within 0.18 s.
CLIPPED_S = 0.2

#: How far the detector's beginning and end of speech are corrected, and what counts as sound there.
_LATE_BLOCKS = 6
_HOLDS_ON_BLOCKS = 8
_ABOVE_FLOOR = 4.0
_BELOW_PEAK = 1e-4


@dataclass(frozen=True, slots=True)
class _Block:
    pcm: Pcm
    start_s: float
    voiced: bool
    #: Voiced, or any other sound that stands out.
    sounding: bool

    @property
    def power(self) -> float:
        return float(np.mean(np.square(self.pcm, dtype=np.float64)))


class Segmenter:
    """Cuts a stream of blocks into utterances.

    Without the pedal an utterance is a stretch of speech with short pauses.  While the pedal is
    held everything belongs to one utterance, which ends with the release.

    Parameters
    ----------
    detector : VoiceDetector or None
        Tells voices from noise; None: the best that runs on this computer.

    Notes
    -----
    Synchronous and without a clock of its own: all times are those given to `feed`.
    """

    def __init__(self, detector: VoiceDetector | None = None) -> None:
        self._detector = best_detector(BLOCK_S) if detector is None else detector
        self._plain = PlainDetector(BLOCK_S)
        self._blocks: list[_Block] = []
        self._held = False
        self._muted_until_s = -math.inf
        #: Start of the first block that was heard again after a muted stretch.
        self._resumed_s = -math.inf
        self._was_muted = False
        self._pending: Utterance | None = None
        #: First voiced block and last block of speech, as places in `_blocks`.
        self._first: int | None = None
        self._last: int | None = None
        #: Voiced blocks that are not speech yet, and unvoiced blocks in a row.
        self._tentative = 0
        self._unvoiced = 0

    @property
    def in_speech(self) -> bool:
        """True while an utterance is open."""
        return self._last is not None or self._held

    @property
    def held(self) -> bool:
        """True while the talk pedal is held."""
        return self._held

    @property
    def pending(self) -> Utterance | None:
        """The utterance that will be returned if no more speech comes, once a pause has begun.

        The very same object is returned later, so a recogniser may already start on it.
        """
        return self._pending

    @property
    def so_far(self) -> Utterance | None:
        """The utterance that goes on, as far as it is known; None while there is none.

        The same sound stands at the beginning of what is pending and returned later.
        """
        first, last = self._first, self._last
        if first is None or last is None:
            return None
        # without looking for its exact beginning, which takes time
        start_s, end_s = self._blocks[first].start_s, self._blocks[last].start_s + BLOCK_S
        return Utterance(self._sound(first, last), start_s, end_s, held=self._held)

    def feed(self, block: Pcm, start_s: float) -> list[Utterance]:
        """Take the next block.

        Parameters
        ----------
        block : ndarray of int16, shape (480,)
            30 ms of mono sound at 16 kHz.
        start_s : float
            Time of its first sample, in seconds.

        Returns
        -------
        list of Utterance
            Those that ended with this block.
        """
        if start_s < self._muted_until_s and not self._held:
            self._was_muted = True
            return []
        if self._was_muted:
            self._was_muted = False
            self._resumed_s = start_s
            self._detector.reset()
        voiced = self._detector.is_speech(block)
        self._blocks.append(_Block(block, start_s, voiced, self._plain.is_speech(block)))
        self._follow(len(self._blocks) - 1, voiced)
        if self._held:
            if self._span_s() >= LONGEST_S:
                return self._cut()
        elif self._last is None:
            self._forget()
        elif self._silence() >= SILENCE_BLOCKS and not voiced:
            return self._cut()
        elif self._span_s() >= LONGEST_S:
            done = self._cut()
            # The speaker goes on: the next voiced block is speech at once.
            self._tentative = ONSET_BLOCKS
            return done
        return []

    def press(self) -> None:
        """Note that the talk pedal went down; speech that had begun belongs to the same utterance."""
        if not self._held:
            self._held = True
            self._pending = None
            if self._last is None and self._first is not None:
                # Voiced blocks just before the press are the beginning of the first word.
                self._last = max(n for n, block in enumerate(self._blocks) if block.voiced)

    def release(self) -> list[Utterance]:
        """Note that the talk pedal came up, which ends the utterance at once.

        A press without any voice gives no utterance.
        """
        if not self._held:
            return []
        if self._last is None:
            self._look_closer()
        done = self._cut()
        self._held = False
        return done

    def flush(self) -> list[Utterance]:
        """End of the stream: return what is still open."""
        if not self.in_speech:
            self._reset()
            return []
        done = self._cut()
        self._held = False
        return done

    def mute(self) -> list[Utterance]:
        """Leave out what follows, because the tool itself speaks.

        An utterance that was open ends here, and is marked as clipped unless a pause had begun.
        While the talk pedal is held nothing is left out.
        """
        self._muted_until_s = math.inf
        if self._held:
            return []
        paused = self._pending is not None
        return [utterance if paused else replace(utterance, clipped=True) for utterance in self.flush()]

    def unmute(self, now_s: float, hold_off_s: float = 0.25) -> None:
        """Hear again from `hold_off_s` after `now_s`, when the room is quiet."""
        self._muted_until_s = now_s + hold_off_s

    def _follow(self, n: int, voiced: bool) -> None:
        """Tell speech from single voiced blocks, and note where it begins and ends."""
        if voiced:
            self._tentative += 1
            self._unvoiced = 0
            if self._first is None:
                self._first = n
            goes_on = self._last is not None and n - self._last - 1 <= BRIDGED_BLOCKS
            if goes_on or self._held or self._tentative >= ONSET_BLOCKS:
                self._last = n
                self._tentative = 0
                self._pending = None
        else:
            self._unvoiced += 1
            if self._unvoiced >= FORGET_BLOCKS:
                self._tentative = 0
                if self._last is None:
                    self._first = None
            if self._last is not None and self._silence() == TAIL_BLOCKS and self._pending is None:
                self._pending = self._utterance()

    def _look_closer(self) -> None:
        """Find sound where the detector found no voice: whoever held the pedal spoke, if not loudly enough."""
        sounding = [n for n, block in enumerate(self._blocks) if block.sounding]
        if sounding:
            self._first, self._last = sounding[0], sounding[-1]

    def _silence(self) -> int:
        """Return the blocks since the last speech."""
        return len(self._blocks) - 1 - (self._last if self._last is not None else -1)

    def _span_s(self) -> float:
        first = self._first if self._first is not None else 0
        return (len(self._blocks) - first) * BLOCK_S

    def _forget(self) -> None:
        """Drop blocks that can no longer belong to an utterance."""
        until = (self._first if self._first is not None else len(self._blocks)) - LEAD_BLOCKS
        if until > 0:
            del self._blocks[:until]
            if self._first is not None:
                self._first -= until

    def _cut(self) -> list[Utterance]:
        """Close the open utterance and start afresh."""
        utterance = self._pending or self._utterance()
        self._reset()
        return [utterance] if utterance is not None else []

    def _utterance(self) -> Utterance | None:
        """Cut the utterance out of the blocks as they are now."""
        first, last = self._first, self._last
        if first is None or last is None:
            return None
        begin, end = (self._blocks[n] for n in self._sounding(first, last))
        return Utterance(
            pcm=self._sound(first, last),
            started_s=begin.start_s,
            ended_s=end.start_s + BLOCK_S,
            held=self._held,
            clipped=not self._held and self._blocks[first].start_s - self._resumed_s < CLIPPED_S,
        )

    def _sound(self, first: int, last: int) -> Pcm:
        kept = self._blocks[max(0, first - LEAD_BLOCKS) : last + 1 + TAIL_BLOCKS]
        return np.concatenate([block.pcm for block in kept])

    def _sounding(self, first: int, last: int) -> tuple[int, int]:
        """Return the blocks in which speech really began and ended: detectors are late, and hold on for a while."""
        powers = [block.power for block in self._blocks[: last + 1]]
        quiet = [block.power for block in self._blocks if not block.voiced]
        least = max(
            _ABOVE_FLOOR * float(np.median(quiet)) if quiet else 0.0, _BELOW_PEAK * max(powers[first:])
        )
        begin = first
        while begin > max(0, first - _LATE_BLOCKS) and powers[begin - 1] > least:
            begin -= 1
        for n in range(last, max(first, last - _HOLDS_ON_BLOCKS), -1):
            if powers[n] > least:
                return begin, n
        return begin, last

    def _reset(self) -> None:
        self._blocks.clear()
        self._first = self._last = None
        self._tentative = 0
        self._unvoiced = 0
        self._pending = None
