"""The sound of the room, made from nothing, and speech put into it at a stated level.

Levels are ratios of powers: that of the speech while somebody speaks, and that of the whole noise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.roughening import beeps

Sound = NDArray[np.float64]

#: Hiss of a quiet room, under the speech.
QUIET_DB = 60.0

TALKERS = 4

#: Levels of the parts of the room mix against each other.  Common practice, no source.
ROOM_MIX_DB = {"babble": 0.0, "pink": -3.0, "ventilation": -3.0, "beeps": -6.0}


@dataclass(frozen=True)
class Condition:
    """What is heard beside the speech.

    Attributes
    ----------
    parts_db : mapping of str to float
        Kinds of noise, with their levels against each other.
    snr_db : float
        Speech against all noise.
    reverberant : bool
        Whether the speech comes through a reverberant room.
    """

    parts_db: Mapping[str, float]
    snr_db: float
    reverberant: bool = False


CONDITIONS: dict[str, Condition] = {
    "quiet": Condition({"white": 0.0}, QUIET_DB),
    "mix15": Condition(ROOM_MIX_DB, 15.0),
    "mix10": Condition(ROOM_MIX_DB, 10.0),
    "mix5": Condition(ROOM_MIX_DB, 5.0),
    "pink20": Condition({"pink": 0.0}, 20.0),
    "pink10": Condition({"pink": 0.0}, 10.0),
    "babble15": Condition({"babble": 0.0}, 15.0),
    "reverberant": Condition({"ventilation": 0.0}, 25.0, reverberant=True),
}

FIRST_FOUR = ("quiet", "mix15", "mix10", "mix5")


def pink(samples: int, rng: np.random.Generator) -> Sound:
    """Return noise whose power falls by 3 dB an octave."""
    spectrum = np.fft.rfft(rng.standard_normal(samples))
    spectrum /= np.sqrt(np.arange(len(spectrum)).clip(1))
    spectrum[0] = 0
    return np.fft.irfft(spectrum, samples)


def ventilation(samples: int, rng: np.random.Generator) -> Sound:
    """Return the rumble of air conditioning: noise under 300 Hz that swells a little."""
    settle = SAMPLE_RATE_HZ // 4
    rumble = sosfilt(butter(2, 300, fs=SAMPLE_RATE_HZ, output="sos"), rng.standard_normal(samples + settle))
    at_s = np.arange(samples) / SAMPLE_RATE_HZ
    swell = 1 + 0.15 * np.sin(2 * np.pi * (rng.uniform(0.1, 0.4) * at_s + rng.random()))
    return np.asarray(rumble[settle:] * swell)


def thump(samples: int, rng: np.random.Generator) -> Sound:
    """Return something that falls, or is put down hard, in the noise of a room."""
    sound = 0.1 * pink(samples, rng)
    length = min(3_000, samples)
    start = int(rng.integers(0, samples - length + 1))
    fading = np.exp(-np.arange(length) / rng.uniform(200, 1_200))
    sound[start : start + length] += 6 * pink(length, rng) * fading
    return sound


def clicks(samples: int, rng: np.random.Generator) -> Sound:
    """Return short clatter that comes again and again, in the noise of a room."""
    every, length = rng.uniform(1_500, 6_000), rng.uniform(20, 200)
    return pink(samples, rng) * np.where(np.arange(samples) % every < length, 5.0, 0.1)


def tone(samples: int, rng: np.random.Generator) -> Sound:
    """Return an alarm that does not stop."""
    at = np.arange(samples) * rng.uniform(300, 3_000) / SAMPLE_RATE_HZ
    return np.sqrt(2) * np.sin(2 * np.pi * at) + 0.02 * pink(samples, rng)


NO_SPEECH: dict[str, Callable[[int, np.random.Generator], Sound]] = {
    "hiss": pink,
    "ventilation": ventilation,
    "beeps": lambda samples, rng: beeps(samples, rng) + 0.02 * pink(samples, rng),
    "thump": thump,
    "clicks": clicks,
    "tone": tone,
}
"""What may be heard while the pedal is held and nobody speaks.  Invented, no source."""


def babble(samples: int, rng: np.random.Generator, talk: Sequence[Sound]) -> Sound:
    """Return several people talking at once.

    Parameters
    ----------
    samples : int
    rng : Generator
    talk : sequence of ndarray
        Talk of one talker each; four of them are taken.
    """
    chosen = rng.permutation(len(talk))[:TALKERS]
    sound = np.zeros(samples)
    for n in chosen:
        # Talk that is not long enough is said again.
        whole = np.resize(talk[n], max(len(talk[n]), samples + SAMPLE_RATE_HZ))
        start = int(rng.integers(0, len(whole) - samples))
        piece = whole[start : start + samples]
        sound += piece * 10 ** (rng.uniform(-3, 3) / 20)
    return sound


def noise(condition: Condition, samples: int, rng: np.random.Generator, talk: Sequence[Sound]) -> Sound:
    """Return the noise of a condition with a root mean square of one."""
    made = {
        "white": lambda: rng.standard_normal(samples),
        "pink": lambda: pink(samples, rng),
        "ventilation": lambda: ventilation(samples, rng),
        "beeps": lambda: beeps(samples, rng),
        "babble": lambda: babble(samples, rng, talk),
    }
    whole = np.zeros(samples)
    for name, level_db in condition.parts_db.items():
        part = made[name]()
        whole += part / np.sqrt(np.mean(np.square(part))) * 10 ** (level_db / 20)
    return whole / np.sqrt(np.mean(np.square(whole)))


def in_noise(speech: Sound, level: float, condition: Condition, around: Sound) -> Sound:
    """Add noise of unit level to speech.

    Parameters
    ----------
    speech : ndarray of float, shape (samples,)
        Speech with the silences before and behind it.
    level : float
        Its active level.
    condition : Condition
    around : ndarray of float, shape (samples,)
        Noise, as from `noise`.
    """
    return np.clip(speech + around * level * 10 ** (-condition.snr_db / 20), -1, 1)
