"""Sentences become sound, in a child process that can be killed.

The speech engines run in `checkback.speaking.child`, never here: the library behind the espeak
voice is under the GPL, and every engine may hang or crash.  A child that does not answer in time is
killed and started again, and the sentence is tried once more.
"""

from __future__ import annotations

import queue
import re
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, Self

import numpy as np

from checkback.errors import UserError
from checkback.speaking.pipes import Child, Message
from checkback.speaking.sound import Sound
from checkback.speaking.store import KEPT_S, SoundStore

OnFailure = Callable[[str, str], None]
"""Is given a sentence that was not spoken, and why, so that it can be shown instead."""

SLOWEST_WPM, FASTEST_WPM = 80, 450
_LONGEST_TEXT = 2_000


class SynthesisError(Exception):
    """A sentence could not be turned into sound; says why in a few words."""


class Synthesiser(Protocol):
    """Turns sentences into sound."""

    name: str

    def synthesise(self, text: str) -> Sound:
        """Return `text` as sound.

        Raises
        ------
        SynthesisError
            If that fails or takes too long.
        """
        ...

    def prepare(self, phrases: Iterable[str]) -> None:
        """Make sentences into sound that are said often, and keep them for good.

        Raises
        ------
        SynthesisError
            As `synthesise`.
        """
        ...

    def close(self) -> None:
        """Let go of the engine and its process."""
        ...


@dataclass(frozen=True, slots=True)
class VoiceSettings:
    """How the voice sounds.

    Attributes
    ----------
    voice : str or None
        Name of a voice of the engine; None takes the engine's own choice.
    rate_wpm : int
        Words per minute, 80 to 450.
    volume : float
        0 to 1.

    Raises
    ------
    UserError
        If a number is out of range.
    """

    voice: str | None = None
    rate_wpm: int = 165
    volume: float = 1.0

    def __post_init__(self) -> None:
        if not SLOWEST_WPM <= self.rate_wpm <= FASTEST_WPM:
            raise UserError(
                f"The voice cannot speak {self.rate_wpm} words per minute: "
                f"set its rate between {SLOWEST_WPM} and {FASTEST_WPM}."
            )
        if not 0 < self.volume <= 1:
            raise UserError(f"The voice cannot have a volume of {self.volume}: set it above 0 and at most 1.")


def respelled(text: str, pronunciations: Mapping[str, str]) -> str:
    """Replace words that an engine reads wrongly by a spelling that it reads rightly.

    Parameters
    ----------
    text : str
        A sentence.
    pronunciations : mapping of str to str
        Word or phrase, in lower case, to its replacement.  Whole words are replaced, whatever
        their case, and the longest phrase first.

    Notes
    -----
    The espeak voice also takes its own phonemes, in double square brackets.

    Examples
    --------
    >>> respelled("Eptifibatide in.", {"eptifibatide": "ep tiff ih bah tide"})
    'ep tiff ih bah tide in.'
    """
    if not pronunciations:
        return text
    table = {phrase.casefold(): spelling for phrase, spelling in pronunciations.items()}
    longest_first = sorted(table, key=len, reverse=True)
    pattern = r"(?<!\w)(?:" + "|".join(map(re.escape, longest_first)) + r")(?!\w)"
    return re.sub(pattern, lambda match: table[match[0].casefold()], text, flags=re.IGNORECASE)


def read_pronunciations(path: Path) -> dict[str, str]:
    """Read how the espeak voice is to say words: a word and its phonemes on each line.

    Raises
    ------
    UserError
        If a line has not two parts, or a word stands twice.
    """
    table: dict[str, str] = {}
    if not path.is_file():
        return table
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        parts = line.split()
        if len(parts) != 2 or parts[0] in table or not set("[]").isdisjoint(line):
            raise UserError(
                f"{path}, line {number}: write one word and its phonemes without spaces or brackets, "
                "and each word once."
            )
        table[parts[0]] = f"[[{parts[1]}]]"
    return table


class ChildSynthesiser:
    """A speech engine in a child process.

    Parameters
    ----------
    settings : VoiceSettings
        Voice, rate and volume.
    pronunciations : mapping of str to str
        See `respelled`.
    time_limit_s : float
        Longest wait for one sentence before the child is killed.
    start_limit_s : float
        Longest wait for a child to start.
    kept_s : float
        How much sound is kept besides what was prepared, s; what was not used for longest goes first.

    Raises
    ------
    UserError
        If the engine cannot be used on this computer, or does not know the voice.
    """

    name: str

    def __init__(
        self,
        settings: VoiceSettings | None = None,
        *,
        pronunciations: Mapping[str, str] | None = None,
        time_limit_s: float = 3.0,
        start_limit_s: float = 15.0,
        kept_s: float = KEPT_S,
    ) -> None:
        settings = settings or VoiceSettings()
        self._settings = {
            "engine": self.name,
            "voice": settings.voice,
            "rate_wpm": settings.rate_wpm,
            "volume": settings.volume,
        }
        self._pronunciations = dict(pronunciations or {})
        self._time_limit_s = time_limit_s
        self._start_limit_s = start_limit_s
        self._store = SoundStore(kept_s)
        self._child_lock = threading.Lock()
        self._closed = False
        self._child: Child | None = None
        self._answers: queue.Queue[Message | None] = queue.Queue()
        try:
            self._child = self._start()
        except SynthesisError as error:
            raise UserError(
                f"The {self.name} voice did not start ({error}): choose another voice, or the text voice."
            ) from error

    @property
    def child_pid(self) -> int | None:
        """Process number of the child, None while there is none."""
        return self._child.pid if self._child else None

    def synthesise(self, text: str) -> Sound:
        """Return `text` as sound, as it is kept if it was said before.

        Silence at its ends is cut off.  Safe to call from several threads.

        Raises
        ------
        SynthesisError
            If the engine failed twice, or the text is longer than 2000 characters.
        """
        return self._made(text, for_good=False)

    def _made(self, text: str, *, for_good: bool) -> Sound:
        if (kept := self._store.get(text)) is not None:
            if for_good:
                self._store.put(text, kept, for_good=True)
            return kept
        if len(text) > _LONGEST_TEXT:
            raise SynthesisError(f"the sentence is longer than {_LONGEST_TEXT} characters")
        # Control characters are commands to some engines, and brackets begin phonemes.
        harmless = "".join(c if c.isprintable() and c not in "[]" else " " for c in text)
        sayable = respelled(harmless, self._pronunciations)
        with self._child_lock:
            try:
                sound = self._once(sayable)
            except SynthesisError:
                sound = self._once(sayable)
        sound = sound.trimmed()
        if not sound.pcm.size and any(c.isalnum() for c in text):
            raise SynthesisError("the voice gave no sound")
        self._store.put(text, sound, for_good=for_good)
        return sound

    def prepare(self, phrases: Iterable[str]) -> None:
        """Synthesise frequent phrases now and keep them for good, so that they cost nothing later.

        Raises
        ------
        SynthesisError
            As `synthesise`.
        """
        for phrase in phrases:
            self._made(phrase, for_good=True)

    def close(self) -> None:
        """End the child process; nothing can be synthesised afterwards."""
        with self._child_lock:
            self._closed = True
            self._end()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _start(self) -> Child:
        # Its own, so that no late answer of a child before it can be taken for this one's.
        self._answers = queue.Queue()
        try:
            child = Child("checkback.speaking.child", self._settings, self._answers.put)
        except OSError as error:
            raise SynthesisError(f"its process cannot be started: {error}") from error
        try:
            greeting, _ = self._answer(child, self._start_limit_s)
        except SynthesisError:
            child.end()
            raise
        if "error" in greeting:
            child.end()
            raise UserError(greeting["error"])
        return child

    def _answer(self, child: Child, time_limit_s: float) -> Message:
        try:
            answer = self._answers.get(timeout=time_limit_s)
        except queue.Empty:
            raise SynthesisError(f"the voice did not answer within {time_limit_s:g} s") from None
        if answer is None:
            raise SynthesisError(f"the voice's process ended{child.last_complaint()}")
        return answer

    def _once(self, sayable: str) -> Sound:
        if self._closed:
            raise SynthesisError("the voice is closed")
        try:
            if self._child is None:
                self._child = self._start()
            self._child.send({"text": sayable})
            header, pcm = self._answer(self._child, self._time_limit_s)
        except UserError as error:
            raise SynthesisError(str(error)) from error
        except SynthesisError:
            self._end()
            raise
        if "error" in header:
            # An engine that failed once is not trusted with the next sentence.
            self._end()
            raise SynthesisError(header["error"])
        return Sound(np.frombuffer(pcm, np.int16), int(header["rate_hz"]), tuple(header.get("words", ())))

    def _end(self) -> None:
        if self._child is not None:
            self._child.end()
            self._child = None


class Espeak(ChildSynthesiser):
    """The espeak voice of the package espeakng-loader; Linux, no system package needed."""

    name = "espeak"


class Pyttsx3(ChildSynthesiser):
    """The voice of the operating system: Windows, macOS, and Linux with its libespeak-ng."""

    name = "pyttsx3"
