"""Sounds, spellings and settings of the voice."""

from __future__ import annotations

import numpy as np
import pytest

from checkback.errors import UserError
from checkback.speaking.sound import Sound
from checkback.speaking.synthesis import VoiceSettings, respelled


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Ticagrelor given.", "tie kag relor given."),
        ("ticagrelor, TICAGRELOR", "tie kag relor, tie kag relor"),
        ("ticagrelors", "ticagrelors"),
        ("left main stem", "left main stem"),
        ("left main", "the main"),
        ("a+b", "sum"),
    ],
)
def test_whole_words_are_respelled_longest_first(text: str, expected: str) -> None:
    table = {
        "ticagrelor": "tie kag relor",
        "left main": "the main",
        "left main stem": "left main stem",
        "a+b": "sum",
    }
    assert respelled(text, table) == expected


def test_without_a_table_nothing_changes() -> None:
    assert respelled("Ticagrelor given.", {}) == "Ticagrelor given."


def test_silence_is_cut_off_both_ends_but_for_ten_milliseconds() -> None:
    tone = np.full(1000, 5000, np.int16)
    sound = Sound(np.concatenate([np.zeros(3000, np.int16), tone, np.zeros(8000, np.int16)]), 20_000)
    assert len(sound.trimmed().pcm) == 1000 + 2 * 200
    assert sound.trimmed().duration_s == pytest.approx(0.07)


def test_loudest_negative_sample_counts_as_sound() -> None:
    assert len(Sound(np.array([0, -32768, 0], np.int16), 10).trimmed().pcm) == 1


def test_silence_trims_to_nothing() -> None:
    assert Sound(np.zeros(500, np.int16), 16_000).trimmed().pcm.size == 0


@pytest.mark.parametrize("samples", [0, 1, 22_050])
def test_resampling_keeps_the_duration(samples: int) -> None:
    sound = Sound(np.zeros(samples, np.int16), 22_050)
    resampled = sound.at_rate(48_000)
    assert resampled.rate_hz == 48_000
    assert resampled.pcm.dtype == np.int16
    assert resampled.duration_s == pytest.approx(sound.duration_s, abs=1e-4)


def test_resampling_keeps_the_pitch() -> None:
    time_s = np.arange(22_050) / 22_050
    tone = Sound((8000 * np.sin(2 * np.pi * 440 * time_s)).astype(np.int16), 22_050)
    spectrum = np.abs(np.fft.rfft(tone.at_rate(48_000).pcm))
    assert int(spectrum.argmax()) == pytest.approx(440, abs=1)


@pytest.mark.parametrize("rate_wpm", [79, 451])
def test_a_rate_out_of_range_names_the_range(rate_wpm: int) -> None:
    with pytest.raises(UserError, match=f"{rate_wpm} words per minute: set its rate between 80 and 450"):
        VoiceSettings(rate_wpm=rate_wpm)


@pytest.mark.parametrize("volume", [0.0, 1.01, float("nan")])
def test_a_volume_out_of_range_names_the_range(volume: float) -> None:
    with pytest.raises(UserError, match="above 0 and at most 1"):
        VoiceSettings(volume=volume)
