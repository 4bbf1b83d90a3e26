"""What the gate turns down and what it leaves, on sound whose parts are known.

The power of a tone is half the square of its peak; 0.2 of an amplitude is 13.98 dB less.  Both are arithmetic.
"""

from __future__ import annotations

import numpy as np
import pytest

from checkback.hearing.gating import MARGIN, Gate
from checkback.hearing.recogniser import Pcm

RATE_HZ = 16_000
PEAK = 600.0
NOISE = 300.0
PITCH_HZ = 110
HARMONICS = range(1, 28)


def in_noise(seconds: float = 2.0) -> Pcm:
    """Return noise, in which something hums like a voice, up to 3 kHz, from 0.5 s until 0.5 s before the end."""
    rng = np.random.default_rng(7)
    sound = rng.normal(0.0, NOISE, int(seconds * RATE_HZ))
    at = np.arange(len(sound)) / RATE_HZ
    hum = sum(PEAK * np.sin(2 * np.pi * PITCH_HZ * n * at + n * n) for n in HARMONICS)
    return np.round(sound + np.where((at > 0.5) & (at < seconds - 0.5), hum, 0.0)).astype(np.int16)


def power_db(pcm: Pcm) -> float:
    return float(10 * np.log10(np.mean(np.square(pcm, dtype=np.float64))))


def test_noise_is_turned_down_and_what_stands_out_stays() -> None:
    pcm = in_noise()
    clean = Gate(pcm)(pcm)
    before, hum = slice(int(0.1 * RATE_HZ), int(0.4 * RATE_HZ)), slice(int(0.7 * RATE_HZ), int(1.3 * RATE_HZ))
    # now and then noise stands out by more than 1.5 standard deviations, so it is not turned down by all of that
    noise_db = power_db(clean[before]) - power_db(pcm[before])
    assert -14.0 < noise_db < -9.0
    # between the partials of a steady hum there is noise, and it is turned down with its neighbours
    hum_db = power_db(clean[hum]) - 10 * np.log10(len(HARMONICS) * PEAK**2 / 2)
    assert noise_db + 5.0 < hum_db < 0.5


def test_the_noise_beside_a_voice_is_turned_down_too() -> None:
    pcm = in_noise()
    middle = slice(int(0.7 * RATE_HZ), int(1.3 * RATE_HZ))
    high = [np.abs(np.fft.rfft(each[middle])[2_400:]) for each in (pcm, Gate(pcm)(pcm))]
    # from 4 kHz on, where the hum has nothing
    assert 20 * np.log10(np.sqrt(np.mean(high[1] ** 2)) / np.sqrt(np.mean(high[0] ** 2))) < -9.0


@pytest.mark.parametrize("length", [3_000, 8_000, 20_001, 31_999])
def test_what_is_said_later_changes_only_the_end(length: int) -> None:
    pcm = in_noise()
    gate = Gate(pcm)
    whole = gate(pcm)
    assert np.array_equal(gate(pcm[:length])[:-MARGIN], whole[: length - MARGIN])
    assert np.array_equal(gate(pcm, length), whole[length:])
    assert not np.array_equal(gate(pcm[:length])[-MARGIN:], whole[length - MARGIN : length])


@pytest.mark.parametrize("length", [0, 1, 500, 1_600, 2_500, 16_000])
def test_any_length_comes_back_as_long_as_it_was(length: int) -> None:
    pcm = in_noise()[:length]
    assert len(Gate(pcm)(pcm)) == length
    assert np.array_equal(Gate(pcm[:500])(pcm), pcm)


def test_silence_stays_silence_and_the_loudest_sound_does_not_wrap() -> None:
    nothing = np.zeros(RATE_HZ, np.int16)
    assert not Gate(nothing)(nothing).any()
    square = np.where(np.arange(RATE_HZ) // 80 % 2, 32_767, -32_768).astype(np.int16)
    square[: RATE_HZ // 2] = 0
    clean = Gate(square)(square)
    loud = slice(int(0.7 * RATE_HZ), int(0.9 * RATE_HZ))
    assert np.array_equal(np.sign(clean[loud]), np.sign(square[loud]))
