"""Sound to tune the second listener with: call-outs and talk of the development side, roughened in many ways.

Nothing of the test side takes part, and of the development side neither the sentences that are measured nor two of
its voices (`voices.HELD_BACK`), so that settings can still be chosen with them.
"""

from __future__ import annotations

import json
import math
import random
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from os import cpu_count
from pathlib import Path

import numpy as np
import pyroomacoustics
import soxr
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, firwin2, lfilter, sosfilt

from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm
from checkback.hearing.roughening import active_level, beeps
from checkback.language.phrasebook import Phrasebook
from hearing_corpus import digest, generator
from hearing_corpus.corpus import read, written
from hearing_corpus.long_talk import long_talk
from hearing_corpus.noise import ventilation
from hearing_corpus.sentences import draw, side_of
from hearing_corpus.voices import (
    BEYOND,
    FOREIGN,
    HELD_BACK,
    MANY,
    MIXED,
    PICO,
    SPEECH_LEVEL,
    VOICES,
    Voice,
    speak,
)

Sound = NDArray[np.float64]

SENTENCES = 5000
FEW = 8
"""A family with no more sentences than this shares them with those that are measured."""

PITCHES = (0.84, 1.2)
"""Voices are made higher and lower, with their formants."""

SLOW_SHARE = 4
"""Of the slow Kokoro voice, every so manieth sentence only."""

MANY_SHARE, MANY_AT_MOST = 3, 800
"""Of many speakers of Kokoro, every so manieth, and no more than so many."""

FOREIGN_AT_MOST, PICO_AT_MOST, MIXED_AT_MOST, BEYOND_AT_MOST = 1800, 600, 380, 460
"""Of the sentences of the voices with accents."""

SLOW_COUNTS, MANY_COUNT, ACCENT_COUNT = 3, 15, 4
"""And each of those counts so many times: for one speaker, for many, and for accents."""

PACES, HARDER_SHARE = (0.9, 1.12), 0.5
"""A sound is played so much slower or faster, and its spectrum bent, in so many of the harder examples."""

TALK_SHARE, NOISE_SHARE = 0.15, 0.04
"""Of the examples: talk, written as the untouched model writes it; and noise without speech."""


@dataclass(frozen=True)
class Said:
    """A sound file of the tuning, and what is to be written for it."""

    path: Path
    voice: str
    words: str
    talk: bool = False
    text: str = ""


def read_said(listed: Path) -> list[Said]:
    """Read a list of sounds, whose paths are as seen from its folder.

    Raises
    ------
    UserError
        If it is not there.
    """
    if not listed.is_file():
        raise UserError(f"The list of sounds {listed} is missing: tune_whisper.py makes it first.")
    rows = [json.loads(line) for line in listed.read_text(encoding="utf-8").splitlines()]
    return [Said(**{**row, "path": listed.parent / row["path"]}) for row in rows]


def free_sentences(book: Phrasebook, measured: set[str]) -> list[str]:
    """Return call-outs of the development side that are not measured; see `FEW`."""
    drawn = {sentence.words: sentence for sentence in draw(book, "dev", SENTENCES)}
    size = Counter(sentence.family for sentence in drawn.values())
    return [
        words
        for words, sentence in drawn.items()
        if side_of(words) == "dev" and (words not in measured or size[sentence.family] <= FEW)
    ]


def call_outs(
    folder: Path,
    book: Phrasebook,
    measured: set[str],
    *,
    accents: bool = False,
    many: bool = False,
    share: float = 1.0,
) -> Iterator[Said]:
    """Make call-outs that are not measured, by the voices that are not held back.

    Parameters
    ----------
    folder : Path
    book : Phrasebook
    measured : set of str
        Sentences of the development corpus.
    accents : bool
        By voices that read English with the sounds of other languages too, by speakers who are in part
        Japanese, and by two statistical ones.
    many : bool
        By many speakers of Kokoro instead of one.
    share : float
        Of what the speakers of Kokoro say, which takes long to make.
    """
    free = free_sentences(book, measured)
    free.sort(key=lambda words: digest("order", words))
    voices = [each for each in VOICES["dev"] if each.name not in HELD_BACK and each.pitch == 1.0]
    of_kokoro = MANY if many else tuple(each for each in voices if each.engine == "kokoro")
    flite = tuple(each for each in voices if each.engine == "flite")
    hibari = tuple(each for each in voices if each.engine == "hibari")
    wanted = []
    groups = [(of_kokoro, None), (flite, None), (hibari, None)]
    if accents:
        groups += [
            (FOREIGN, FOREIGN_AT_MOST),
            (PICO, PICO_AT_MOST),
            (MIXED, MIXED_AT_MOST),
            (BEYOND, BEYOND_AT_MOST),
        ]
    for group, at_most in groups:
        rng = random.Random(group[0].engine)
        pitches = [round(rng.choice([1.0, rng.uniform(*PITCHES)]), 3) for _ in free]
        pairs = list(zip(free, pitches, strict=True))
        if group is of_kokoro:
            pairs = pairs[::MANY_SHARE][:MANY_AT_MOST] if many else pairs[::SLOW_SHARE]
        if at_most is not None:
            pairs = sorted(pairs, key=lambda pair: digest(group[0].name, pair[1]))[:at_most]
        if group[0].engine == "kokoro":
            pairs = pairs[: math.ceil(share * len(pairs))]
        wanted += [(group[n % len(group)], pitch, words) for n, (words, pitch) in enumerate(pairs)]
    with ProcessPoolExecutor(cpu_count()) as pool:
        yield from pool.map(spoken, repeat(folder), *zip(*wanted, strict=True), chunksize=8)


def quick_voices() -> list[Voice]:
    """Return the voices of the development side that are not held back and speak at once."""
    voices = [each for each in VOICES["dev"] if each.name not in HELD_BACK and each.engine != "kokoro"]
    return [each for each in voices if each.pitch == 1.0]


def talk(folder: Path) -> Iterator[Said]:
    """Make talk, which is not meant for the program."""
    voices = quick_voices()
    rng = random.Random("talk")
    for n, line in enumerate(long_talk("dev")):
        yield spoken(folder, voices[n % len(voices)], round(rng.uniform(*PITCHES), 3), line, talk=True)


def spoken(folder: Path, voice: Voice, pitch: float, words: str, *, talk: bool = False) -> Said:
    """Let a voice say something, if it has not yet."""
    path = folder / f"{voice.name}-{pitch}-{digest(words):016x}.flac"
    if not path.exists():
        written(path, speak(Voice(f"{voice.name}-{pitch}", voice.engine, voice.speaker, pitch), words))
    return Said(path, voice.name, words, talk)


class Roughener:
    """Draws examples.

    Parameters
    ----------
    items : sequence of Said
        With their texts.
    seed : int
    many : bool
        Whether many speakers of Kokoro are among them.
    share : float
        So much of what they say, which counts the more.
    harder : bool
        In more noise, at other paces and pitches, and with other tones.
    """

    BEDS, ROOMS = 6, 60

    def __init__(
        self, items: list[Said], seed: int, *, many: bool = False, share: float = 1.0, harder: bool = False
    ) -> None:
        self._rng = np.random.default_rng(seed)
        self._harder = harder
        self._talk = [each for each in items if each.talk]
        self._calls = [each for each in items if not each.talk]
        of_kokoro = (*VOICES["dev"], *MANY, *MIXED, *BEYOND)
        slow = {each.name for each in of_kokoro if each.engine == "kokoro"}
        counts = round((MANY_COUNT if many else SLOW_COUNTS) / share)
        with_accent = {each.name for each in (*FOREIGN, *PICO)}
        self._calls = [
            each
            for each in self._calls
            for _ in range(counts if each.voice in slow else ACCENT_COUNT if each.voice in with_accent else 1)
        ]
        self._beds = list(self._make_beds())
        self._rooms = list(self._make_rooms())

    def begin_anew(self, *parts: object) -> None:
        """Draw from here on what depends on these parts alone, whatever was drawn before."""
        self._rng = generator(*parts)

    def _make_beds(self) -> Iterator[Sound]:
        """Yield talk of one voice each, to be heard beside."""
        by_voice: dict[str, list[Path]] = {}
        for each in self._talk:
            by_voice.setdefault(each.voice, []).append(each.path)
        for paths in by_voice.values():
            for _ in range(self.BEDS):
                chosen = self._rng.permutation(len(paths))[:18]
                whole = np.concatenate([read(paths[n]) for n in chosen])
                yield whole / np.sqrt(np.mean(np.square(whole)))

    def _make_rooms(self) -> Iterator[Sound]:
        """Yield impulse responses of invented rooms."""
        rng, made = self._rng, 0
        while made < self.ROOMS:
            size = rng.uniform([4, 4, 2.5], [9, 8, 3.4])
            try:
                absorption, order = pyroomacoustics.inverse_sabine(rng.uniform(0.2, 0.7), size)
            except ValueError:
                continue
            room = pyroomacoustics.ShoeBox(
                size,
                fs=SAMPLE_RATE_HZ,
                materials=pyroomacoustics.Material(absorption),
                max_order=min(order, 14),
            )
            room.add_source(rng.uniform([0.6, 0.6, 1.2], size - [0.6, 0.6, 0.8]))
            room.add_microphone(rng.uniform([0.6, 0.6, 1.0], size - [0.6, 0.6, 0.4]))
            room.compute_rir()
            found = np.asarray(room.rir[0][0])
            found = found[int(np.argmax(np.abs(found) > 0.5 * np.abs(found).max())) :][: SAMPLE_RATE_HZ // 2]
            made += 1
            yield found / np.sqrt(np.sum(np.square(found)))

    def _babble(self, samples: int, talkers: int) -> Sound:
        sound = np.zeros(samples)
        for n in self._rng.permutation(len(self._beds))[:talkers]:
            bed = self._beds[n]
            start = int(self._rng.integers(0, max(len(bed) - samples, 1)))
            piece = np.resize(bed[start : start + samples], samples)
            sound += piece * 10 ** (self._rng.uniform(-4, 4) / 20)
        return sound

    def _coloured(self, samples: int) -> Sound:
        spectrum = np.fft.rfft(self._rng.standard_normal(samples))
        return np.fft.irfft(spectrum / np.arange(len(spectrum)).clip(1) ** self._rng.uniform(0, 1), samples)

    def noise(self, samples: int) -> Sound:
        """Return noise with a root mean square of one: mostly several kinds together."""
        rng = self._rng
        made = {
            "babble": lambda: self._babble(samples, int(rng.integers(1, 7))),
            "coloured": lambda: self._coloured(samples),
            "ventilation": lambda: ventilation(samples, rng),
            "beeps": lambda: beeps(samples, rng),
        }
        levels_db = {"babble": (-4, 4), "coloured": (-7, 1), "ventilation": (-8, 2), "beeps": (-12, 0)}
        if rng.random() >= 0.65:
            few = rng.permutation(list(made))[: int(rng.integers(1, 3))]
            levels_db = {str(name): (-3, 3) for name in few}
        sound = np.zeros(samples)
        for name, (low, high) in levels_db.items():
            part = made[name]()
            sound += part / np.sqrt(np.mean(np.square(part)) + 1e-12) * 10 ** (rng.uniform(low, high) / 20)
        return sound / np.sqrt(np.mean(np.square(sound)))

    def draw(self) -> tuple[Pcm, Said | None]:
        """Return an example: its sound, and what is said, or None where nobody speaks."""
        rng = self._rng
        which = rng.random()
        if which < NOISE_SHARE:
            sound = self.noise(int(rng.uniform(1, 4) * SAMPLE_RATE_HZ)) * 10 ** (rng.uniform(-60, -18) / 20)
            return _pcm(sound), None
        items = self._talk if which < NOISE_SHARE + TALK_SHARE else self._calls
        said = items[int(rng.integers(len(items)))]
        return self.rough(said), said

    def _tone(self) -> Sound:
        """Return a filter that lifts and lowers parts of the spectrum."""
        places = np.linspace(0, 1, 9)
        return np.asarray(firwin2(129, places, 10 ** (self._rng.uniform(-6, 6, len(places)) / 20)))

    def clean(self, said: Said, edge_s: float) -> Pcm:
        """Return a sound in a quiet room, with so much silence at its ends."""
        sound = np.pad(read(said.path), round(edge_s * SAMPLE_RATE_HZ))
        return _pcm(sound + self._rng.standard_normal(len(sound)) * SPEECH_LEVEL * 10 ** (-50 / 20))

    def rough(self, said: Said, edges: tuple[int, int] | None = None) -> Pcm:
        """Return a sound in noise, by some microphone, perhaps in a room.

        Parameters
        ----------
        said : Said
        edges : (int, int) or None
            Samples before and behind it.
        """
        rng = self._rng
        sound = read(said.path)
        if rng.random() < HARDER_SHARE * self._harder:
            sound = soxr.resample(sound, SAMPLE_RATE_HZ * rng.uniform(*PACES), SAMPLE_RATE_HZ)
        if rng.random() < HARDER_SHARE * self._harder:
            sound = fftconvolve(sound, self._tone())
        if rng.random() < 0.6:
            # microphones lift the high or the low tones
            sound = lfilter([1, -rng.uniform(-0.5, 0.5)], [1], sound)
        if rng.random() < 0.25:
            edge_hz = rng.uniform(80, 300)
            sound = sosfilt(butter(2, edge_hz, "highpass", fs=SAMPLE_RATE_HZ, output="sos"), sound)
        if rng.random() < 0.3:
            sound = fftconvolve(sound, self._rooms[int(rng.integers(len(self._rooms)))])
        sound = sound / active_level(sound) * SPEECH_LEVEL
        if edges is None:
            edges_s = rng.uniform(0.03, 0.6), rng.uniform(0.05, 0.7)
            edges = int(edges_s[0] * SAMPLE_RATE_HZ), int(edges_s[1] * SAMPLE_RATE_HZ)
        sound = np.pad(sound, edges)
        in_noise_db = (-3, 18) if self._harder else (-1, 22)
        snr_db = rng.uniform(30, 60) if rng.random() < 0.15 else rng.uniform(*in_noise_db)
        sound = sound + self.noise(len(sound)) * SPEECH_LEVEL * 10 ** (-snr_db / 20)
        return _pcm(sound * 10 ** (rng.uniform(-14, 10) / 20))


def with_harder(said: list[Said], seed: int, share: float) -> tuple[Roughener, Roughener]:
    """Return what draws examples, and the same with harder ones; see `Roughener`.

    Parameters
    ----------
    said : list of Said
        By many speakers, so much of what those of Kokoro say as `share`.
    seed : int
    share : float
    """
    usual, harder = (Roughener(said, seed, many=True, share=share, harder=harder) for harder in (False, True))
    return usual, harder


def _pcm(sound: Sound) -> Pcm:
    return np.clip(np.round(sound * 32_767), -32_768, 32_767).astype(np.int16)
