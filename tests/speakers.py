"""Synthetic speakers for tests: stand-ins for people, made of flite voices."""

from __future__ import annotations

import shutil
import subprocess
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
import soundfile
import soxr

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm, Utterance

needs_flite = pytest.mark.skipif(shutil.which("flite") is None, reason="the program flite is not installed")


@cache
def spoken(sentence: str, voice: str = "slt") -> Pcm:
    """Return a sentence at 16 kHz, without silence around it, in the background hiss of a quiet room."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        subprocess.run(["flite", "-voice", voice, "-t", sentence, "-o", str(path)], check=True)
        sound, rate_hz = soundfile.read(path)
    sound = soxr.resample(sound, rate_hz, SAMPLE_RATE_HZ)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    return hissing(sound[loud[0] : loud[-1] + 1])


def hissing(sound: np.ndarray) -> Pcm:
    """Add faint noise, with which no stretch is digital silence."""
    noise = np.random.default_rng(1).standard_normal(len(sound)) * 1e-4
    return ((sound + noise).clip(-1, 1) * 32_767).astype(np.int16)


def silence(seconds: float) -> Pcm:
    """Return the hiss of a quiet room."""
    return hissing(np.zeros(round(seconds * SAMPLE_RATE_HZ)))


def utterance(sentence: str, voice: str = "slt") -> Utterance:
    """Return a sentence as the segmenter would cut it."""
    pcm = np.concatenate([silence(0.24), spoken(sentence, voice), silence(0.2)])
    return Utterance(pcm, 0.0, len(pcm) / SAMPLE_RATE_HZ)
