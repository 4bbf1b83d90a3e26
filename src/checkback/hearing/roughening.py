"""Clear speech made such as it is heard in a laboratory: in noise, in a room, by some microphone.

For what is learnt from speech that was recorded in quiet.  Nothing here is recorded: the noise is made of random
numbers, of tones, and of the speech of others or of the same speaker.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm

Sound = NDArray[np.float64]

SPEECH_LEVEL = 0.05
"""Root mean square of active speech, of full scale: -26 dB, as in ITU-T P.56 tests."""

NEAR_QUIET = 0.15
"""Of the examples, so many are in hardly any noise, and the others from `NOISE_DB` on."""

NOISE_DB, QUIET_DB = (-1.0, 22.0), (30.0, 60.0)
"""Speech above the noise."""

_FRAME = SAMPLE_RATE_HZ // 50
#: Frames so far under the loudest one are pauses.
_PAUSE_DB = 35.0

_MOST_TALKERS = 6

_PITCHES = (0.75, 1.3)
"""Of those who talk beside, against what was recorded."""


def active_level(sound: Sound) -> float:
    """Return the root mean square of a sentence without its pauses."""
    frames = sound[: len(sound) // _FRAME * _FRAME].reshape(-1, _FRAME)
    power = np.mean(np.square(frames), axis=1)
    return float(np.sqrt(np.mean(power[power > power.max() * 10 ** (-_PAUSE_DB / 10)])))


def beeps(samples: int, rng: np.random.Generator) -> Sound:
    """Return the single tones with which a monitor marks heart beats."""
    length = int(0.12 * SAMPLE_RATE_HZ)
    at_s = np.arange(length) / SAMPLE_RATE_HZ
    pitch_hz = rng.uniform(600, 1000)
    tone = sum(np.sin(2 * np.pi * n * pitch_hz * at_s) / n**2 for n in (1, 2, 3)) * np.hanning(length)
    between = SAMPLE_RATE_HZ * 60 / rng.uniform(55, 110)
    sound = np.zeros(samples + length)
    at = rng.uniform(0, between)
    while at < samples:
        sound[int(at) : int(at) + length] += tone
        at += between * rng.uniform(0.97, 1.03)
    return sound[:samples]


def _shaped(sound: Sound, gain: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> Sound:
    """Return a sound with each frequency, in hertz, changed by a factor."""
    frequencies = np.asarray(np.fft.rfftfreq(len(sound), 1 / SAMPLE_RATE_HZ), np.float64)
    return np.asarray(np.fft.irfft(np.fft.rfft(sound) * gain(frequencies), len(sound)))


def coloured(samples: int, rng: np.random.Generator) -> Sound:
    """Return noise whose power falls by nothing to 6 dB an octave."""
    steep = rng.uniform(0, 1)
    return _shaped(rng.standard_normal(samples), lambda hz: 1 / np.maximum(hz, 1.0) ** steep)


def rumble(samples: int, rng: np.random.Generator) -> Sound:
    """Return the noise of air conditioning: what lies under some 300 Hz."""
    edge_hz = rng.uniform(200, 400)
    return _shaped(rng.standard_normal(samples), lambda hz: 1 / np.sqrt(1 + (hz / edge_hz) ** 4))


def echo(rng: np.random.Generator) -> Sound:
    """Return the response of an invented room, shape (samples,): noise that dies away, behind the direct sound.

    Source: J.-D. Polack's model of a diffuse room, as in H. Kuttruff, "Room Acoustics".
    """
    dies_s = rng.uniform(0.2, 0.7)
    at_s = np.arange(int(0.5 * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    # 60 dB down after `dies_s`
    tail = rng.standard_normal(len(at_s)) * np.exp(-6.9 * at_s / dies_s)
    tail[: int(rng.uniform(0.002, 0.012) * SAMPLE_RATE_HZ)] = 0.0
    direct_db = rng.uniform(0, 12)
    tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(np.square(tail)))
    tail[0] = 1.0
    return np.asarray(tail)


def _convolved(sound: Sound, response: Sound) -> Sound:
    length = len(sound) + len(response) - 1
    return np.asarray(np.fft.irfft(np.fft.rfft(sound, length) * np.fft.rfft(response, length), length))


def _unit(sound: Sound) -> Sound:
    return np.asarray(sound / np.sqrt(np.mean(np.square(sound)) + 1e-12))


class Roughener:
    """Makes speech that was recorded in quiet such as it is heard in a laboratory.

    Parameters
    ----------
    talk : sequence of ndarray of float, shape (samples,)
        Speech to be heard beside, of any level; none: nobody talks beside.
    rng : numpy.random.Generator
    """

    def __init__(self, talk: Sequence[Sound], rng: np.random.Generator) -> None:
        self._talk = [each / active_level(each) for each in talk]
        self._rng = rng

    def _babble(self, samples: int) -> Sound:
        rng, sound = self._rng, np.zeros(samples)
        for _ in range(int(rng.integers(1, _MOST_TALKERS + 1))):
            # one thing after the other, from anywhere in it, and in a voice that is higher or lower
            order = rng.permutation(len(self._talk))
            line: list[Sound] = []
            while sum(map(len, line)) < 3 * samples:
                line += [self._talk[n] for n in order]
            whole = np.concatenate(line)
            pace = rng.uniform(*_PITCHES)
            start = rng.uniform(0, len(whole) - 1 - pace * samples)
            piece = np.interp(start + pace * np.arange(samples), np.arange(len(whole)), whole)
            sound += piece * 10 ** (rng.uniform(-4, 4) / 20)
        return sound

    def noise(self, samples: int) -> Sound:
        """Return noise with a root mean square of one: mostly several kinds together."""
        rng = self._rng
        kinds: Mapping[str, tuple[Callable[[], Sound], tuple[float, float]]] = {
            "babble": (lambda: self._babble(samples), (-4, 4)),
            "coloured": (lambda: coloured(samples, rng), (-7, 1)),
            "rumble": (lambda: rumble(samples, rng), (-8, 2)),
            "beeps": (lambda: beeps(samples, rng), (-12, 0)),
        }
        able = [name for name in kinds if name != "babble" or self._talk]
        among = able
        if rng.random() >= 0.65:
            among = [able[n] for n in rng.permutation(len(able))[: int(rng.integers(1, 3))]]
        sound = np.zeros(samples)
        for name in among:
            make, (low_db, high_db) = kinds[name]
            sound += _unit(make()) * 10 ** (rng.uniform(low_db, high_db) / 20)
        return _unit(sound)

    def __call__(self, sound: Sound, edges: tuple[int, int]) -> Pcm:
        """Return speech in noise.

        Parameters
        ----------
        sound : ndarray of float, shape (samples,)
            Recorded in quiet.
        edges : (int, int)
            Samples of noise before and behind it.

        Returns
        -------
        ndarray of int16
            At 16 kHz; the speech begins behind the first edge, and an echo may reach into the second one.
        """
        rng, length = self._rng, sum(edges) + len(sound)
        if rng.random() < 0.6:
            # microphones lift the high or the low tones
            sound = _convolved(sound, np.array([1.0, -rng.uniform(-0.5, 0.5)]))
        if rng.random() < 0.25:
            edge_hz = rng.uniform(80, 300)
            sound = _shaped(sound, lambda hz: hz**2 / np.sqrt(hz**4 + edge_hz**4))
        if rng.random() < 0.3:
            sound = _convolved(sound, echo(rng))
        sound = sound / active_level(sound) * SPEECH_LEVEL
        heard = np.zeros(length)
        behind = heard[edges[0] :]
        behind[: len(sound)] = sound[: len(behind)]
        above_db = rng.uniform(*(QUIET_DB if rng.random() < NEAR_QUIET else NOISE_DB))
        heard += self.noise(length) * SPEECH_LEVEL * 10 ** (-above_db / 20)
        heard *= 10 ** (rng.uniform(-14, 10) / 20)
        return np.clip(np.round(heard * 32_767), -32_768, 32_767).astype(np.int16)
