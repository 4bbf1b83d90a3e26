"""How well commands are heard, and told from chatter by their score; gives the threshold.

    python benchmarks/rejection.py --grammar MODULE:FUNCTION [--sentences 40]

FUNCTION returns the compiled grammar.  Random sentences of it are spoken by synthetic voices, as
are sentences of another kind, in quiet and in pink noise.  **Synthetic voices are stand-ins for
people: the figures compare settings, they do not foretell what people get.**

Needs the programs `flite` and `text2wave` (festival).
"""

from __future__ import annotations

import argparse
import importlib
import random
import subprocess
import tempfile
import time
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from checkback.hearing.endpointing import BLOCK_S, LEAD_BLOCKS, TAIL_BLOCKS
from checkback.hearing.pocketsphinx import LEAST_SCORE_PER_FRAME, PocketSphinxDecoder
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Grammar, Pcm

FLITE_VOICES = ("slt", "rms", "awb")
FESTIVAL_VOICES = ("cmu_us_slt_arctic_hts", "kal_diphone")
SPEECH_LEVEL = 0.05

CHATTER = (
    "did you see the match last night",
    "I think we should call his wife after this",
    "could somebody turn the music down a little please",
    "the next patient is already waiting outside",
    "let me know when you are ready for lunch",
    "we had a very similar one on Tuesday morning",
    "please take a deep breath and hold it",
    "are you feeling all right over there",
    "can you move the table towards me a bit",
    "that looks much better than it did before",
    "my daughter is starting school in September",
    "the traffic on the bridge was terrible today",
    "who is on call this weekend",
    "there is a cable lying across the floor",
    "open another pack of gauze for me",
    "he was admitted through the emergency department",
    "what time does the meeting start",
    "the coffee machine is broken again",
    "I would rather wait for the surgeon",
    "nearly finished now, just a few more minutes",
    "the weather is supposed to be nice tomorrow",
    "where did you put my glasses",
    "show me the previous picture once more",
    "lower the lights in the room if you can",
    "she told me a funny story about her neighbour",
    "we are going to need a bigger room for that",
)


def random_sentences(grammar: Grammar, count: int, rng: random.Random) -> list[str]:
    """Walk `count` times from the start of the word graph to its end, every way equally likely."""
    onward: dict[int, list[tuple[int, str]]] = defaultdict(list)
    for source, target, word in grammar.arcs:
        onward[source].append((target, word))
    sentences = []
    for _ in range(count):
        state, words = grammar.start, []
        while state != grammar.final or (onward[state] and rng.random() < 0.5):
            state, word = rng.choice(onward[state])
            words.append(word)
        sentences.append(" ".join(word for word in words if word))
    return sentences


def speak(voice: str, sentence: str) -> NDArray[np.float64]:
    """Return the sentence at 16 kHz, without silence around it and at a fixed level.

    Parameters
    ----------
    voice : str
        A flite or festival voice.
    sentence : str
        Words; underscores of compound words are spoken as spaces.
    """
    text = sentence.replace("_", " ")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        if voice in FLITE_VOICES:
            subprocess.run(["flite", "-voice", voice, "-t", text, "-o", path], check=True)
        else:
            subprocess.run(
                ["text2wave", "-eval", f"(voice_{voice})", "-o", path],
                input=text, text=True, check=True, capture_output=True,
            )  # fmt: skip
        sound, rate_hz = soundfile.read(path)
    sound = soxr.resample(sound, rate_hz, SAMPLE_RATE_HZ)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    sound = sound[loud[0] : loud[-1] + 1]
    return sound / np.sqrt(np.mean(np.square(sound))) * SPEECH_LEVEL


def in_room(sound: NDArray[np.float64], snr_db: float, rng: np.random.Generator) -> Pcm:
    """Put speech between the silences that the segmenter leaves, in pink noise."""
    # The detector's own holding on adds to the tail.
    lead, tail = LEAD_BLOCKS * BLOCK_S, TAIL_BLOCKS * BLOCK_S + 0.15
    sound = np.pad(sound, (int(lead * SAMPLE_RATE_HZ), int(tail * SAMPLE_RATE_HZ)))
    spectrum = np.fft.rfft(rng.standard_normal(len(sound)))
    noise = np.fft.irfft(spectrum / np.sqrt(np.arange(len(spectrum)).clip(1)), len(sound))
    noise *= SPEECH_LEVEL * 10 ** (-snr_db / 20) / np.std(noise)
    pcm: Pcm = (np.clip(sound + noise, -1, 1) * 32_767).astype(np.int16)
    return pcm


def area_under_curve(commands: Sequence[float], chatter: Sequence[float]) -> float:
    """Return the probability that a command scores above a sentence of chatter."""
    one, other = np.array(commands)[:, None], np.array(chatter)[None, :]
    return float(np.mean((one > other) + 0.5 * (one == other)))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--grammar", required=True, metavar="MODULE:FUNCTION")
    parser.add_argument("--sentences", type=int, default=40, help="sentences a voice (default 40)")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    module, _, function = options.grammar.partition(":")
    grammar: Grammar = getattr(importlib.import_module(module), function)()

    began = time.perf_counter()
    decoder = PocketSphinxDecoder(grammar)
    print(
        f"{len(grammar.arcs)} arcs, {len(grammar.words)} words, loaded in {time.perf_counter() - began:.2f} s"
    )
    rng, noise = random.Random(options.seed), np.random.default_rng(options.seed)
    said: list[tuple[str, str, bool, NDArray[np.float64]]] = []
    for voice in (*FLITE_VOICES, *FESTIVAL_VOICES):
        for sentence in random_sentences(grammar, options.sentences, rng):
            said.append((voice, sentence, True, speak(voice, sentence)))
        said.extend((voice, sentence, False, speak(voice, sentence)) for sentence in CHATTER)

    everything: dict[bool, list[float]] = {True: [], False: []}
    for condition, snr_db in (("quiet", 60.0), ("pink 20 dB", 20.0), ("pink 10 dB", 10.0)):
        scores: dict[bool, list[float]] = {True: [], False: []}
        right: dict[str, list[bool]] = defaultdict(list)
        spent_s = heard_s = 0.0
        for voice, sentence, is_command, sound in said:
            pcm = in_room(sound, snr_db, noise)
            began = time.perf_counter()
            heard = decoder.decode(pcm)
            spent_s += time.perf_counter() - began
            heard_s += len(pcm) / SAMPLE_RATE_HZ
            if heard and heard[0].score is not None:
                scores[is_command].append(heard[0].score)
            if is_command:
                right[voice].append(bool(heard) and heard[0].words == sentence)
        print(
            f"{condition}: exact {np.mean([ok for oks in right.values() for ok in oks]):.1%} ("
            + ", ".join(f"{voice} {np.mean(oks):.0%}" for voice, oks in right.items())
            + f"); real-time factor {spent_s / heard_s:.3f}; command over chatter "
            f"{area_under_curve(scores[True], scores[False]):.3f}; with the threshold "
            f"{np.mean(np.array(scores[True]) < LEAST_SCORE_PER_FRAME):.1%} of commands rejected, "
            f"{np.mean(np.array(scores[False]) >= LEAST_SCORE_PER_FRAME):.1%} of chatter let through"
        )
        for kind in everything:
            everything[kind] += scores[kind]

    print("threshold: commands rejected / chatter let through, all conditions together")
    for share in (0.5, 1, 2, 5, 10):
        threshold = float(np.percentile(everything[True], share))
        print(f"{threshold:8.1f}: {share:.1f} % / {np.mean(np.array(everything[False]) >= threshold):.1%}")
    print(f"LEAST_SCORE_PER_FRAME is {LEAST_SCORE_PER_FRAME}")


if __name__ == "__main__":
    main()
