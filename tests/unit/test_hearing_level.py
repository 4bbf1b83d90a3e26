"""The meter of the microphone.

Levels are checked against the root mean square of a sine, which is its peak divided by the square
root of two: 3.01 dB below that of a square wave of the same peak.
"""

from __future__ import annotations

import numpy as np
import pytest

from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES
from checkback.hearing.level import FINE_AFTER_S, FLOOR_DBFS, SILENT_AFTER_S, Meter, stands_out_db
from checkback.hearing.recogniser import Pcm

SINE = np.sin(2 * np.pi * 1_000 * np.arange(BLOCK_SAMPLES) / 16_000)


def sine(peak: float) -> Pcm:
    """Return a block of 1 kHz; a peak above 1 is cut off, as a microphone's converter does."""
    return np.clip(np.rint(SINE * peak * 32_767), -32_768, 32_767).astype(np.int16)


def feed(meter: Meter, block: Pcm, from_s: float, duration_s: float) -> list[tuple[float, str]]:
    told = []
    for n in range(round(duration_s / BLOCK_S)):
        if (notice := meter.feed(block, from_s + n * BLOCK_S)) is not None:
            told.append((from_s + n * BLOCK_S, str(notice)))
    return told


@pytest.mark.parametrize("peak_db", [0.0, -6.0, -20.0, -60.0])
def test_a_sine_is_three_decibels_below_its_peak(peak_db: float) -> None:
    meter = Meter()
    feed(meter, sine(10 ** (peak_db / 20)), 0.0, 0.3)
    assert meter.level_dbfs == pytest.approx(peak_db - 3.01, abs=0.1)


def test_the_meter_rises_at_once_and_falls_within_a_second() -> None:
    meter = Meter()
    feed(meter, sine(0.5), 0.0, BLOCK_S)
    assert meter.level_dbfs > -10.0
    feed(meter, sine(0.0), 1.0, 1.0)
    assert meter.level_dbfs < -50.0
    feed(meter, sine(0.0), 2.0, 5.0)
    assert meter.level_dbfs == FLOOR_DBFS


def test_nothing_but_zeros_is_told_once_and_again_after_there_was_sound() -> None:
    meter = Meter()
    told = feed(meter, sine(0.0), 100.0, SILENT_AFTER_S + 60.0)
    assert told == [(pytest.approx(100.0 + SILENT_AFTER_S, abs=0.1), "microphone_silent")]
    assert meter.silent
    # the least that a converter gives is sound
    assert feed(meter, np.tile(np.array([0, 1], np.int16), BLOCK_SAMPLES // 2), 300.0, 1.0) == []
    assert not meter.silent
    assert len(feed(meter, sine(0.0), 301.0, SILENT_AFTER_S + 1.0)) == 1


def test_clipping_is_told_once_and_again_only_after_it_was_fine() -> None:
    meter = Meter()
    assert [what for _, what in feed(meter, sine(2.0), 0.0, 10.0)] == ["microphone_loud"]
    assert feed(meter, sine(0.5), 10.0, FINE_AFTER_S / 2) == []
    assert feed(meter, sine(2.0), 10.0 + FINE_AFTER_S / 2, 5.0) == [], "it was not fine for long enough"
    assert meter.clipping
    feed(meter, sine(0.5), 50.0, FINE_AFTER_S + 1.0)
    assert not meter.clipping
    assert len(feed(meter, sine(2.0), 200.0, 5.0)) == 1


@pytest.mark.parametrize("peak", [0.5, 0.99])
def test_loud_but_whole_is_no_clipping(peak: float) -> None:
    meter = Meter()
    assert feed(meter, sine(peak), 0.0, 10.0) == []


def test_a_knock_and_the_own_voice_are_no_reason_to_complain() -> None:
    meter = Meter()
    assert feed(meter, sine(2.0), 0.0, 2 * BLOCK_S) == []
    assert all(meter.feed(sine(2.0), 10.0 + n * BLOCK_S, own_voice=True) is None for n in range(300))
    assert not meter.clipping


def test_a_microphone_that_comes_back_is_listened_to_for_a_while_before_it_is_called_silent() -> None:
    meter = Meter()
    feed(meter, sine(0.5), 0.0, 1.0)
    meter.lost()
    assert meter.level_dbfs == FLOOR_DBFS
    assert feed(meter, sine(0.0), 500.0, SILENT_AFTER_S - 1.0) == []


def test_speech_stands_out_of_noise_by_what_is_between_them() -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 100, 32_000)
    speech = rng.normal(0, 1000, 32_000) * np.repeat([0, 1, 1, 0], 8000)
    assert stands_out_db((noise + speech).astype(np.int16)) == pytest.approx(20, abs=1.5)
    assert stands_out_db(noise.astype(np.int16)) < 3
    assert stands_out_db(np.zeros(8000, np.int16)) == 0
    assert stands_out_db(np.zeros(10, np.int16)) == 0
