"""Short tones that stand for a check-back, or stand before a sentence.

They must not be taken for the alarm of a device in the room.  The auditory alarm signals of
IEC 60601-1-8 are bursts of pulses of one pitch each, 150 to 1000 Hz with at least four harmonics; a
pulse lasts 75 to 200 ms (high priority) or 125 to 250 ms, with 50 to 125 ms or 125 to 250 ms of
silence between, in bursts of ten, three, or one to two (from memory of the published text; check
against the standard).  So a tone here is a pure glide with no harmonics, above 1000 Hz, shorter or
longer than any such pulse, at most two of them, closer together, and never repeated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from checkback.speaking.sound import Sound
from checkback.speaking.voice import Tone

RATE_HZ = 22_050
_EDGE_S = 0.008
_PEAK = 0.35


@dataclass(frozen=True, slots=True)
class Glide:
    """A pure tone whose pitch moves evenly from one to the next.

    Attributes
    ----------
    pitches_hz : tuple of float
        Its corners.
    duration_s : float
    """

    pitches_hz: tuple[float, ...]
    duration_s: float


GAP_S = 0.03
"""Silence between the glides of a tone, and between a tone and the words."""

_UP = Glide((1200.0, 1700.0), 0.065)
_DOWN = Glide((1700.0, 1200.0), 0.065)

TONES: Mapping[Tone, tuple[Glide, ...]] = {
    "accepted": (_UP,),
    "asked": (_UP, _UP),
    "not_heard": (_DOWN, _DOWN),
    "attention": (Glide((1150.0, 1900.0, 1150.0), 0.4),),
}


@lru_cache(maxsize=16)
def tone(name: Tone, volume: float = 1.0) -> Sound:
    """Return a tone as sound, at 22.05 kHz.

    Parameters
    ----------
    name : Tone
    volume : float
        0 to 1.
    """
    parts = []
    for glide in TONES[name]:
        samples = round(glide.duration_s * RATE_HZ)
        corners = np.linspace(0, samples, len(glide.pitches_hz))
        pitch_hz = np.interp(np.arange(samples), corners, glide.pitches_hz)
        wave = np.sin(2 * np.pi * np.cumsum(pitch_hz) / RATE_HZ)
        edge = np.minimum(np.arange(samples), np.arange(samples)[::-1]) / (_EDGE_S * RATE_HZ)
        parts += [wave * np.clip(edge, 0.0, 1.0), np.zeros(round(GAP_S * RATE_HZ))]
    pcm = np.rint(np.concatenate(parts) * 32_767 * _PEAK * volume).astype(np.int16)
    return Sound(pcm, RATE_HZ)
