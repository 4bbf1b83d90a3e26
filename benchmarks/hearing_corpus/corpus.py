"""Sound files with what is said in them, made once and kept in a folder.

A corpus is a folder with a manifest for each side, `dev.csv` and `test.csv`, and FLAC files at 16 kHz.
Everything follows from the phrasebook, the side and the names: what is there already is not made
again, and a larger corpus holds the smaller one.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.roughening import active_level
from hearing_corpus import Side, digest, generator
from hearing_corpus.chatter import talk
from hearing_corpus.long_talk import long_talk, talk_not_tuned_with
from hearing_corpus.noise import CONDITIONS, NO_SPEECH, TALKERS, in_noise, noise
from hearing_corpus.room import reverberant
from hearing_corpus.sentences import Sentence
from hearing_corpus.voices import HELD_BACK, SPEECH_LEVEL, VOICES, Voice, speak

Sound = NDArray[np.float64]

#: Room before and behind a call-out, in which the end-pointer finds its beginning and its end.
BEFORE_S, BEHIND_S = 1.0, 1.2
#: Chatter: length of one file, and pauses between sentences.
CHATTER_FILE_S = 60.0
CHATTER_FILES = 12
_PAUSES_S = (0.35, 1.6)
#: Talk of one talker from which babble is cut.
_BED_S = 45.0

CHATTER_FAMILY = "chatter"
NO_SPEECH_FAMILY = "no speech"
#: Nothing in these is meant for the program.
NOT_MEANT = frozenset({CHATTER_FAMILY, NO_SPEECH_FAMILY})
_NO_SPEECH_S = (0.4, 2.5)
_NO_SPEECH_DB = (-50.0, -14.0)
DIGITS_FAMILY = "human digits"


@dataclass(frozen=True)
class Item:
    """One sound file.

    Attributes
    ----------
    side : str
        "dev", "test", or "own" for a manifest that somebody brought.
    id, voice, condition : str
    said : str
        The words; empty for chatter.
    path : str
        Relative to the manifest's folder.
    role, family : str
        As in the phrasebook; the family "chatter" for talk, and empty if unknown.
    start_s, end_s : float
        Where in the file speech begins and ends; both 0 if unknown.
    """

    side: str
    id: str
    voice: str
    condition: str
    said: str
    path: str
    role: str = ""
    family: str = ""
    start_s: float = 0.0
    end_s: float = 0.0


def written(path: Path, sound: Sound) -> None:
    """Write a sound file so that it is there whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{os.getpid()}")
    pcm = np.round(np.clip(sound, -1, 1) * 32_767).astype(np.int16)
    soundfile.write(part, pcm, SAMPLE_RATE_HZ, format="FLAC")
    part.replace(path)


def read(path: Path) -> Sound:
    """Read a sound file as one channel at 16 kHz.

    Raises
    ------
    UserError
        If there is none that can be read.
    """
    try:
        sound, rate_hz = soundfile.read(path, always_2d=True)
    except (soundfile.LibsndfileError, OSError) as error:
        raise UserError(f"The sound file {path} cannot be read: {str(error).rstrip('.')}.") from None
    sound = sound.mean(axis=1)
    return sound if rate_hz == SAMPLE_RATE_HZ else soxr.resample(sound, rate_hz, SAMPLE_RATE_HZ)


def read_manifest(path: Path) -> list[Item]:
    """Read a manifest: a CSV file with at least the columns `path` and `said`.

    Raises
    ------
    UserError
        If it is missing or lacks a column.
    """
    try:
        with path.open(newline="", encoding="utf-8") as lines:
            rows = list(csv.DictReader(lines))
    except OSError as error:
        raise UserError(f"The manifest {path} cannot be read: {error.strerror}.") from None
    known = {field.name for field in fields(Item)}
    items = []
    for n, row in enumerate(rows):
        if row.get("path") is None or row.get("said") is None:
            raise UserError(
                f"{path}: line {n + 2} lacks a path or what is said: write the columns path,said."
            )
        given = {key: value for key, value in row.items() if key in known and value is not None}
        times = {key: float(given.pop(key, 0.0) or 0.0) for key in ("start_s", "end_s")}
        base = {"side": "own", "id": f"{n:04d}", "voice": "", "condition": "as recorded"}
        items.append(Item(**{**base, **given, **times}))
    return items


def write_manifest(path: Path, items: Iterable[Item]) -> None:
    """Write a manifest so that it is there whole or not at all."""
    part = path.with_suffix(".part")
    with part.open("w", newline="", encoding="utf-8") as lines:
        writer = csv.DictWriter(lines, [field.name for field in fields(Item)])
        writer.writeheader()
        writer.writerows(asdict(item) for item in items)
    part.replace(path)


class Corpus:
    """The sound of one side, in a folder.

    Parameters
    ----------
    folder : Path
    side : {"dev", "test"}
    """

    def __init__(self, folder: Path, side: Side) -> None:
        self.folder = folder
        self.side: Side = side
        self._beds = cache(self._bed)

    def voice_of(self, sentence: Sentence) -> Voice:
        """Return who says a sentence: the speakers take turns within a family."""
        voices = VOICES[self.side]
        number = int(sentence.id.rpartition("-")[2])
        return voices[(number + digest(sentence.family)) % len(voices)]

    def clean(self, voice: Voice, words: str) -> Sound:
        """Return a sentence without anything around it."""
        path = self.folder / "clean" / f"{voice.name}-{digest(words):016x}.flac"
        if not path.exists():
            written(path, speak(voice, words))
        return read(path)

    def call_out(self, sentence: Sentence, condition: str, voice: Voice | None = None) -> Item:
        """Make the sound of one sentence in one condition, by a voice or by the one whose turn it is."""
        voice = voice or self.voice_of(sentence)
        return self.in_condition(
            sentence, voice.name, condition, lambda: self.clean(voice, sentence.words), f"{sentence.words}"
        )

    def in_condition(
        self, sentence: Sentence, voice: str, condition: str, sound: Callable[[], Sound], key: str
    ) -> Item:
        """Put a sound into a condition, if that is not done yet."""
        name = f"{sentence.id}-{voice}-{digest(key):016x}.flac"
        path = self.folder / self.side / condition / name
        said = sound()
        if not path.exists():
            written(path, self._around(said, condition, sentence.id, voice))
        return Item(
            self.side, sentence.id, voice, condition, sentence.words, str(path.relative_to(self.folder)),
            sentence.role, sentence.family, BEFORE_S, round(BEFORE_S + len(said) / SAMPLE_RATE_HZ, 3),
        )  # fmt: skip

    def _around(self, said: Sound, condition: str, name: str, voice: str) -> Sound:
        how = CONDITIONS[condition]
        rng = generator("noise", self.side, condition, name)
        if how.reverberant:
            said = reverberant(said, self.side, int(rng.integers(1000)))
        before, behind = (round(s * SAMPLE_RATE_HZ) for s in (BEFORE_S, BEHIND_S))
        speech = np.pad(said, (before, behind))
        around = noise(how, len(speech), rng, self._talkers_beside(voice) if "babble" in how.parts_db else ())
        return in_noise(speech, active_level(said), how, around)

    # --- people who talk beside -------------------------------------------------------------------

    def _bed(self, voice: Voice) -> Sound:
        """Return long talk of one talker."""
        lines = talk(self.side)
        first = digest("bed", voice.name) % len(lines)
        pieces: list[Sound] = []
        length = 0
        for n in range(len(lines)):
            pieces.append(self.clean(voice, lines[(first + n) % len(lines)]))
            length += len(pieces[-1])
            if length >= _BED_S * SAMPLE_RATE_HZ:
                break
        return np.concatenate(pieces)

    def _talkers_beside(self, voice: str) -> Sequence[Sound]:
        """Return the talk of others than the speaker, those that are quickly made first."""
        others = [each for each in (*self._talkers(), *VOICES[self.side]) if each.name != voice]
        return [self._beds(each) for each in list(dict.fromkeys(others))[:TALKERS]]

    def _talkers(self) -> list[Voice]:
        """Return the voices for talk; Kokoro takes too long for so much of it."""
        return [voice for voice in VOICES[self.side] if voice.engine != "kokoro"]

    # --- chatter ----------------------------------------------------------------------------------

    def chatter(self, condition: str) -> Iterator[Item]:
        """Make files of people talking with each other."""
        rng = generator("talk", self.side)
        lines = iter(talk(self.side))
        voices = self._talkers()
        turn = 0
        for number in range(CHATTER_FILES):
            pieces: list[Sound] = []
            length = 0
            while length < CHATTER_FILE_S * SAMPLE_RATE_HZ and (line := next(lines, None)) is not None:
                pause = np.zeros(int(rng.uniform(*_PAUSES_S) * SAMPLE_RATE_HZ))
                pieces += [pause, self.clean(voices[turn % len(voices)], line)]
                turn += 1 if rng.random() < 0.8 else 2
                length += len(pieces[-1]) + len(pause)
            if not pieces:
                return
            yield self._talk_item(f"chatter-{number:03d}", "several", condition, np.concatenate(pieces))

    def long_chatter(self, condition: str) -> Iterator[Item]:
        """Make about an hour of talk, in files of `CHATTER_FILE_S`, by the voices that are quickly made."""
        voices = [voice for voice in self._talkers() if not voice.neural]
        lines = [(voices[n % len(voices)], line) for n, line in enumerate(long_talk(self.side))]
        yield from self._talked("talk", lines, generator("long talk, pauses", self.side), condition)

    def held_back_chatter(self, condition: str) -> Iterator[Item]:
        """Make talk of which the second listener was tuned with neither the lines nor the voices."""
        quick, slow = (next(v for v in VOICES["dev"] if v.name == name) for name in HELD_BACK)
        # the slow one speaks every sixth line
        lines = [(slow if n % 6 == 5 else quick, line) for n, line in enumerate(talk_not_tuned_with())]
        yield from self._talked("fresh", lines, generator("fresh talk"), condition)

    def _talked(
        self, name: str, lines: Sequence[tuple[Voice, str]], rng: np.random.Generator, condition: str
    ) -> Iterator[Item]:
        pieces: list[Sound] = []
        number = 0
        for n, (voice, line) in enumerate(lines):
            pause = np.zeros(int(rng.uniform(*_PAUSES_S) * SAMPLE_RATE_HZ))
            pieces += [pause, self.clean(voice, line)]
            if sum(map(len, pieces)) >= CHATTER_FILE_S * SAMPLE_RATE_HZ or n == len(lines) - 1:
                yield self._talk_item(f"{name}-{number:03d}", "several", condition, np.concatenate(pieces))
                pieces, number = [], number + 1

    def no_speech(self, kind: str, count: int) -> Iterator[Item]:
        """Make sounds in which nobody speaks."""
        for number in range(count):
            rng = generator("no speech", self.side, kind, number)
            sound = NO_SPEECH[kind](int(rng.uniform(*_NO_SPEECH_S) * SAMPLE_RATE_HZ), rng)
            sound = sound / np.sqrt(np.mean(np.square(sound))) * 10 ** (rng.uniform(*_NO_SPEECH_DB) / 20)
            path = Path(self.side) / "no-speech" / f"{kind}-{number:03d}.flac"
            written(self.folder / path, sound)
            yield Item(
                self.side,
                f"{kind}-{number:03d}",
                "nobody",
                kind,
                "",
                path.as_posix(),
                family=NO_SPEECH_FAMILY,
            )

    def read_aloud(self, folder: Path, condition: str) -> Iterator[Item]:
        """Make files of people who read from a novel, from recordings in a folder."""
        for path in sorted(folder.glob("*.wav")):
            sound = read(path)
            sound = sound / active_level(sound) * SPEECH_LEVEL
            yield self._talk_item(f"chatter-{path.stem}", "a person", condition, sound)

    def _talk_item(self, name: str, voice: str, condition: str, sound: Sound) -> Item:
        sentence = Sentence(name, "", CHATTER_FAMILY, "")
        fingerprint = str(digest(np.round(sound * 32_767).astype(np.int16).tobytes()))
        return self.in_condition(sentence, voice, condition, lambda: sound, fingerprint)
