"""The voices of those who work in a room: call-outs that they read aloud, and what is learnt from them.

The readings of each voice stay in a folder of its own, in a list that says what was read, so that all can be learnt
from again when a voice is added or taken out.  The states of each reading are found by alignment; then it is heard
in noise and rooms that are made for it, and its frames count for those states.  The model that is changed is the
first listener's, and where little was heard it stays as it was.  Method: J.-L. Gauvain and C.-H. Lee, "Maximum a
posteriori estimation for multivariate Gaussian mixture observations of Markov chains", IEEE Transactions on Speech and
Audio Processing 2 (1994), 291-298.
"""

from __future__ import annotations

import csv
import os
import re
import signal
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import blake2b
from multiprocessing import get_context
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
import soundfile

from checkback.errors import UserError
from checkback.hearing.acoustic_learning import FRAME, Frames, Listening, learnt
from checkback.hearing.acoustic_model import (
    AcousticModel,
    change_fits,
    changed_model,
    read_model,
    write_change,
)
from checkback.hearing.pocketsphinx import ACOUSTIC_MODEL, SHORTEST_S, TUNING
from checkback.hearing.pronunciations import pronunciations_of
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm
from checkback.hearing.recording import Recording
from checkback.hearing.roughening import Roughener

CHANGE = "en-us.npz"
"""What was learnt, in the folder of the voices."""

LIST = "readings.csv"
"""What a voice has read, in its folder: the columns path and said."""

LEAST_READINGS = 12
"""From fewer nothing is learnt: they have too few of the sounds."""

WAYS = 10
"""In so many ways each reading is heard."""

UNGATED_SHARE = 0.25
"""Of them: heard without the gate."""

BELIEF = 20.0
"""As if so many frames agreed with the model as it is: see `acoustic_learning.learnt`."""

ROUNDS = 2

EDGE_S = 0.3
"""Silence before and behind a reading, in which its states are found."""

MOST_PROCESSES = 4

_NAME = re.compile(r"\w[\w-]*")


@dataclass(frozen=True)
class Reading:
    """A sentence that somebody read aloud.

    Attributes
    ----------
    path : Path
        Sound file.
    said : str
        Its words.
    """

    path: Path
    said: str


def voice_folder(voices: Path, voice: str) -> Path:
    """Return the folder of a voice.

    Raises
    ------
    UserError
        If the name cannot be one of a folder.
    """
    if _NAME.fullmatch(voice) is None:
        raise UserError(f"{voice!r} cannot be the name of a voice: use letters, digits and hyphens.")
    return voices / voice


def readings_of(folder: Path) -> tuple[Reading, ...]:
    """Return what a voice has read; nothing if there is no list.

    Raises
    ------
    UserError
        If the list cannot be used, or a sound file of it is missing.
    """
    path = folder / LIST
    return read_list(path) if path.exists() else ()


def read_list(path: Path) -> tuple[Reading, ...]:
    """Read a list of sound files and what is said in them: a CSV file with the columns path and said.

    Raises
    ------
    UserError
        If it cannot be used, or a sound file of it is missing.
    """
    try:
        # spreadsheets put a mark before the first byte
        with path.open(newline="", encoding="utf-8-sig") as lines:
            reader = csv.DictReader(lines)
            rows = [(reader.line_num, row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise UserError(f"The list of readings {path} cannot be read: {error}.") from None
    found: list[Reading] = []
    for n, row in rows:
        if not row.get("path") or not row.get("said"):
            raise UserError(f"{path}: line {n} lacks a path or what is said: write the columns path,said.")
        sound = path.parent / row["path"]
        if not sound.is_file():
            raise UserError(
                f"{path}: line {n} names {row['path']}, which is missing: lay it there, or take the line out."
            )
        said = " ".join(row["said"].lower().split())
        if said in (each.said for each in found):
            raise UserError(f"{path}: line {n}: {said!r} stands there twice: take one out.")
        found.append(Reading(sound, said))
    return tuple(found)


def voices_in(voices: Path) -> dict[str, tuple[Reading, ...]]:
    """Return the readings of every voice in a folder, by name.

    Raises
    ------
    UserError
        If a list cannot be used.
    """
    if not voices.is_dir():
        return {}
    return {
        path.name: found
        for path in sorted(voices.iterdir())
        if path.is_dir() and (found := readings_of(path))
    }


def keep(voices: Path, voice: str, said: str, pcm: Pcm) -> None:
    """Keep a reading, in place of an earlier one of the same words.

    Raises
    ------
    UserError
        If it cannot be written.
    """
    folder = voice_folder(voices, voice)
    known = {each.said: each.path.name for each in readings_of(folder)}
    name = known.get(said) or f"{len(known) + 1:02d}-{blake2b(said.encode(), digest_size=4).hexdigest()}.flac"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _whole(folder / name) as part:
            soundfile.write(part, pcm, SAMPLE_RATE_HZ, format="FLAC")
        # written in any case: by its time it is known what was read since something was learnt
        with _whole(folder / LIST) as part, part.open("w", newline="", encoding="utf-8") as lines:
            writer = csv.writer(lines)
            writer.writerow(("path", "said"))
            writer.writerows((path, words) for words, path in {**known, said: name}.items())
    except (OSError, soundfile.LibsndfileError) as error:
        raise UserError(f"The reading {folder / name} cannot be written: {error}.") from None


def forget(voices: Path, voice: str) -> None:
    """Take a voice out, with all that it has read.

    Raises
    ------
    UserError
        If there is none of that name, or its files cannot be removed.
    """
    folder = voice_folder(voices, voice)
    if not (folder / LIST).is_file():
        known = ", ".join(voices_in(voices)) or "none"
        raise UserError(f"There is no voice {voice!r} in {voices}: there is {known}.")
    try:
        for path in folder.iterdir():
            if path.name != LIST:
                path.unlink()
        # last, so that what broke off can be done again
        (folder / LIST).unlink()
        folder.rmdir()
    except OSError as error:
        raise UserError(f"{folder} cannot be removed ({error.strerror}): remove it by hand.") from None


@contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """Give a path to write to; the file is then there whole or not at all."""
    part = path.with_name(f".{os.getpid()}-{path.name}")
    try:
        yield part
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def pcm_of(path: Path) -> Pcm:
    """Read a sound file of any rate, shape (samples,), at 16 kHz.

    Raises
    ------
    UserError
        If it cannot be read, or is not long enough for a word.
    """
    pcm = np.concatenate([np.zeros(0, np.int16), *(block for block, _ in Recording(path).blocks())])
    if len(pcm) < SHORTEST_S * SAMPLE_RATE_HZ or not np.any(pcm):
        raise UserError(f"The sound file {path} cannot be learnt from: nobody speaks in it.")
    return pcm


# --- learning --------------------------------------------------------------------------------------


class _Hearing:
    """Hears readings in many ways, in a process of its own."""

    def __init__(
        self, known: Mapping[str, Sequence[str]], talk: Mapping[str, Sequence[Path]], folder: Path
    ) -> None:
        own = folder / str(os.getpid())
        own.mkdir()
        self._listening = Listening(known, own)
        self._talk = {voice: [pcm_of(path) / 32_768 for path in paths] for voice, paths in talk.items()}

    def frames(self, voice: str, reading: Reading) -> list[Frames]:
        """Return what is heard of a reading; nothing if its words cannot be found in it."""
        sound = pcm_of(reading.path) / 32_768
        # the same whenever it is learnt from again
        seed = blake2b(f"{voice} {reading.said}".encode(), digest_size=8).digest()
        rng = np.random.default_rng(int.from_bytes(seed))
        quiet = np.pad(sound, round(EDGE_S * SAMPLE_RATE_HZ)) * 32_767
        quiet += rng.standard_normal(len(quiet)) * 3
        states = self._listening.states(np.round(quiet).clip(-32_768, 32_767).astype(np.int16), reading.said)
        if states is None:
            return []
        others = [each for other, sounds in self._talk.items() if other != voice for each in sounds]
        rough = Roughener(others or self._talk[voice], rng)
        found = []
        for _ in range(WAYS):
            before, behind = round(rng.uniform(5, 60)), round(rng.uniform(5, 70))
            pcm = rough(sound, (before * FRAME, behind * FRAME))
            features = self._listening.features(pcm, gated=rng.random() >= UNGATED_SHARE)
            at = np.clip(np.arange(len(features)) - before + round(EDGE_S * 100), 0, len(states) - 1)
            found.append(Frames(features.astype(np.float16), states[at]))
        return found


_hearing: _Hearing
"""That of a process of the pool."""


def _begin(known: Mapping[str, Sequence[str]], talk: Mapping[str, Sequence[Path]], folder: Path) -> None:
    global _hearing
    # the parent is interrupted too, and ends this one
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _hearing = _Hearing(known, talk, folder)


def _frames(voice: str, reading: Reading) -> list[Frames]:
    return _hearing.frames(voice, reading)


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Let processes that are started here leave an interruption to this one."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _heard(
    wanted: Sequence[tuple[str, Reading]],
    known: Mapping[str, Sequence[str]],
    talk: Mapping[str, Sequence[Path]],
) -> Iterator[list[Frames]]:
    """Yield what is heard of each reading, in order."""
    processes = min(os.cpu_count() or 1, MOST_PROCESSES)
    with tempfile.TemporaryDirectory() as folder:
        pool = ProcessPoolExecutor(processes, get_context("spawn"), _begin, (known, talk, Path(folder)))
        try:
            with _uninterrupted():
                found = pool.map(_frames, *zip(*wanted, strict=True))
            yield from found
        except BrokenProcessPool:
            raise UserError(
                "Learning broke off, because a process ended: free some memory, and run checkback enrol again; what was "
                "read is kept."
            ) from None
        finally:
            # who interrupts does not wait for the rest
            pool.shutdown(cancel_futures=True)


def learn(
    voices: Path, pronunciations: Mapping[str, Sequence[str]], told: Callable[[int, int], None] | None = None
) -> Mapping[str, int]:
    """Learn from all voices in a folder, and write what was learnt beside them.

    Takes about half a minute of two processors for each voice.  Voices of which too few readings can be used are left
    out; if none is left, what was learnt before is removed.

    Parameters
    ----------
    voices : Path
    pronunciations : mapping of str to sequence of str
        Those of words that the built-in dictionary lacks.
    told : callable or None
        Is told how many readings are done, and of how many.

    Returns
    -------
    mapping of str to int
        Of each voice that was learnt, how many readings: those whose words can be found in them.

    Raises
    ------
    UserError
        If a word has no pronunciation, a sound file is damaged, or what was learnt cannot be written.
    """
    ready = {voice: some for voice, some in voices_in(voices).items() if len(some) >= LEAST_READINGS}
    wanted = [(voice, each) for voice, some in ready.items() for each in some]
    known = pronunciations_of({word for _, each in wanted for word in each.said.split()}, pronunciations)
    talk = {voice: [each.path for each in some] for voice, some in ready.items()}
    for _, each in wanted:
        # what is damaged is told here, and not by a child that ends
        pcm_of(each.path)
    heard: dict[str, list[list[Frames]]] = {voice: [] for voice in ready}
    if wanted:
        for n, ((voice, _), frames) in enumerate(zip(wanted, _heard(wanted, known, talk), strict=True), 1):
            heard[voice] += [frames] if frames else []
            if told is not None:
                told(n, len(wanted))
    used = {voice: some for voice, some in heard.items() if len(some) >= LEAST_READINGS}
    try:
        if not used:
            (voices / CHANGE).unlink(missing_ok=True)
            return {}
        model = _drawn([frames for some in used.values() for each in some for frames in each])
        with _whole(voices / CHANGE) as part:
            write_change(ACOUSTIC_MODEL, model, part)
    except OSError as error:
        raise UserError(f"{voices / CHANGE} cannot be written: {error.strerror}.") from None
    return {voice: len(some) for voice, some in used.items()}


def _drawn(heard: Sequence[Frames]) -> AcousticModel:
    """Return the installed model, tuned if it can be, drawn towards what was heard."""
    try:
        fits = change_fits(ACOUSTIC_MODEL, TUNING)
        was = model = changed_model(ACOUSTIC_MODEL, TUNING) if fits else read_model(ACOUSTIC_MODEL)
    except ValueError as error:
        raise UserError(
            f"The built-in model that is installed cannot be changed ({error}): install checkback again."
        ) from None
    for _ in range(ROUNDS):
        model = learnt(was, model, heard, BELIEF)
    return model


def learnt_from(voices: Path) -> Path:
    """Return the file of what was learnt from voices, for the acoustic model that is installed.

    Raises
    ------
    UserError
        If there is none that can be used.
    """
    path = voices / CHANGE
    try:
        fits = change_fits(ACOUSTIC_MODEL, path)
    except FileNotFoundError:
        raise UserError(
            f"{voices} (hearing.voices in the settings) has no voice that was learnt: run checkback enrol NAME, or "
            "take that line out."
        ) from None
    except (OSError, ValueError, KeyError, BadZipFile) as error:
        raise UserError(
            f"{path} cannot be read ({error}): run checkback enrol, which learns it anew."
        ) from None
    if not fits:
        raise UserError(
            f"{path} was learnt for another built-in model than the one installed: run checkback enrol, which learns "
            "it anew."
        )
    return path
