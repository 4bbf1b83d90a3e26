"""No tone can be taken for an alarm of a device in the room.

What an alarm sounds like is from memory of IEC 60601-1-8:2006 with its amendment of 2012 (tables of
the burst and of the pulse of auditory alarm signals); check against the standard.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import get_args

import numpy as np
import pytest

from checkback.speaking.tones import RATE_HZ, TONES, tone
from checkback.speaking.voice import Tone

ALARM_PITCH_HZ = (150.0, 1000.0)
ALARM_PULSES = {3, 10}
"""Of a burst of medium and of high priority; one of low priority has one or two."""
ALARM_PULSE_S = (0.075, 0.250)
ALARM_SPACING_S = (0.050, 0.250)
LONGEST_S = 0.5
"""A burst of high priority takes about two seconds and comes again; no tone does either."""


@dataclass(frozen=True)
class Pulse:
    begins_s: float
    ends_s: float
    pitches_hz: tuple[float, float]
    harmonics: int


def pulses(name: Tone) -> list[Pulse]:
    """Measure the sound itself: stretches above a tenth of the peak, their pitch and harmonics."""
    wave = tone(name).pcm.astype(float)
    frame = RATE_HZ // 1000
    loud = np.abs(wave[: len(wave) // frame * frame]).reshape(-1, frame).max(axis=1) > 0.1 * wave.max()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], loud, [False]]).astype(int)))
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        piece = wave[first * frame : last * frame]
        pitches = []
        peaks = 0
        for part in np.array_split(piece, max(2, len(piece) // 440)):
            spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 8192))
            main = int(spectrum.argmax())
            pitches.append(main * RATE_HZ / 8192)
            audible = [n * main for n in range(2, 5) if n * main < len(spectrum)]
            # within 15 dB of the pulse frequency, as the standard wants four of them
            peaks = max(peaks, sum(spectrum[n - 3 : n + 4].max() > spectrum[main] / 5.6 for n in audible))
        found.append(Pulse(first / 1000, last / 1000, (min(pitches), max(pitches)), peaks))
    return found


@pytest.mark.parametrize("name", get_args(Tone))
def test_it_has_nothing_of_an_alarm(name: Tone) -> None:
    found = pulses(name)
    assert len(found) in {1, 2}
    assert len(found) not in ALARM_PULSES
    assert found[-1].ends_s < LONGEST_S
    for pulse in found:
        duration_s = pulse.ends_s - pulse.begins_s
        assert not ALARM_PULSE_S[0] <= duration_s <= ALARM_PULSE_S[1]
        # every pulse of an alarm is of one pitch below 1000 Hz with harmonics: this glides, above, without
        assert pulse.pitches_hz[0] > ALARM_PITCH_HZ[1]
        assert pulse.pitches_hz[1] > 1.15 * pulse.pitches_hz[0]
        assert pulse.harmonics == 0
    for before, after in pairwise(found):
        assert after.begins_s - before.ends_s < ALARM_SPACING_S[0]


def test_each_tone_is_told_from_the_others() -> None:
    assert set(TONES) == set(get_args(Tone))
    assert len(set(TONES.values())) == len(TONES)
