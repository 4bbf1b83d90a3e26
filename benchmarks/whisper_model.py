"""What a Whisper model costs: time to load, memory, time to write down and to score; what noise becomes.

    python benchmarks/whisper_model.py FOLDER [--sentences 12] [--prompt TEXT]

Sentences of the phrasebook are spoken by synthetic voices, stand-ins for people: nothing is said about
accuracy.  Besides, the probability of "no speech" is measured for noise, and for speech in noise of
its own loudness; the constants of `checkback.hearing.whisper` lie between.  Needs the program `flite`.
"""

from __future__ import annotations

import argparse
import random
import time
from pathlib import Path

import numpy as np
from rejection import FLITE_VOICES, in_room, speak
from vosk_model import processor_s, resident_mb, size_mb

from checkback import app
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm
from checkback.hearing.whisper import WhisperListener
from checkback.settings import Settings

TEXTS = 8
SCORE_PROMPT = "Balloon 2.5 x 12, 14 atmospheres."


def noises(rng: np.random.Generator) -> dict[str, Pcm]:
    """Return two seconds of sounds in which nobody speaks."""
    at = np.arange(2 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    white = rng.standard_normal(len(at))
    spectrum = np.fft.rfft(rng.standard_normal(len(at)))
    pink = np.fft.irfft(spectrum / np.sqrt(np.arange(len(spectrum)) + 1), len(at))
    beeps = np.sin(2 * np.pi * 1_000 * at) * (at % 1 < 0.2)
    sounds = {"silence": 0 * at, "hiss": 3 * white, "white": 1_500 * white, "beeps": 3_000 * beeps}
    sounds["pink"] = 1_500 * pink / pink.std()
    return {name: sound.clip(-32_768, 32_767).astype(np.int16) for name, sound in sounds.items()}


def told(name: str, seconds: list[float]) -> str:
    """Return median and 95th percentile of times."""
    return f"{name}: median {np.median(seconds):.2f} s, 95th percentile {np.percentile(seconds, 95):.2f} s"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sentences", type=int, default=12)
    parser.add_argument("--prompt", help="for writing down; none: that of the phrasebook")
    options = parser.parse_args()
    book = app.load_book(Settings())
    rng, random_ = np.random.default_rng(1), random.Random(1)
    began = time.monotonic()
    listener = WhisperListener(options.folder, prompt=options.prompt or book.file.writes_like, tuned=False)
    pid = listener.worker_pid
    assert pid is not None
    print(
        f"{options.folder}: {size_mb(options.folder):.0f} MB on disk, loads in {time.monotonic() - began:.1f} s"
    )
    families = [name for role, name, _ in book.families() if role == "event"]
    sentences = [book.sample(random_, random_.choice(families)).words for _ in range(options.sentences)]
    writing, scoring, lengths, spoken, noisy = [], [], [], [], []
    worked = processor_s(pid)
    for n, sentence in enumerate(sentences):
        sound = speak(FLITE_VOICES[n % len(FLITE_VOICES)], sentence)
        pcm = in_room(sound, 60.0, rng)
        lengths.append(len(pcm) / SAMPLE_RATE_HZ)
        since = time.monotonic()
        found = listener.listen(pcm)
        writing.append(time.monotonic() - since)
        assert found is not None
        spoken.append(found.no_speech)
        others = [f"{random_.choice(sentences).capitalize()}." for _ in range(TEXTS - 1)]
        since = time.monotonic()
        listener.score(pcm, [found.text, *others], SCORE_PROMPT)
        scoring.append(time.monotonic() - since)
    worked = processor_s(pid) - worked
    for n, sentence in enumerate(sentences[:6]):
        heard = listener.listen(in_room(speak(FLITE_VOICES[n % len(FLITE_VOICES)], sentence), 0.0, rng))
        assert heard is not None
        noisy.append(heard.no_speech)
    print(f"{len(lengths)} sounds of {min(lengths):.1f} to {max(lengths):.1f} s")
    print(told("encoding and writing down", writing))
    print(told(f"scoring {TEXTS} texts on the same sound", scoring))
    print(f"processor time by length of sound, both: {worked / sum(lengths):.2f}")
    print(f"memory of its process: {resident_mb(pid):.0f} MB")
    print(f"no speech: at most {max(spoken):.2f} for speech, {max(noisy):.2f} for speech in noise at 0 dB")
    for name, pcm in noises(rng).items():
        found = listener.listen(pcm)
        assert found is not None
        print(
            f"  {name}: {found.no_speech:.2f}, {found.text!r} with {found.mean_logprob:.2f}, "
            f"taken for {'speech' if found.is_speech else 'no speech'}"
        )
    listener.close()


if __name__ == "__main__":
    main()
