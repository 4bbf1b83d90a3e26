"""Voices that need no sound card: silence, text, and a sound file for replays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

import numpy as np
import soundfile

from checkback.errors import UserError
from checkback.speaking import tones
from checkback.speaking.sound import Sound
from checkback.speaking.synthesis import OnFailure, Synthesiser, SynthesisError
from checkback.speaking.voice import Sentence, Tone, Urgency


class SilentVoice:
    """Says nothing."""

    name = "silent"

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Drop `text`."""

    def stop(self) -> tuple[Sentence, ...]:
        """Stay silent."""
        return ()

    @property
    def speaking(self) -> bool:
        """Always False."""
        return False

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Do nothing."""


class TextVoice:
    """Prints each sentence on a line of its own.

    Parameters
    ----------
    stream : text stream
        Where to print.
    mark : str
        Stands before each sentence.
    on_failure : callable or None
        Is given each sentence that the stream did not take, and why.
    """

    name = "text"

    def __init__(self, stream: TextIO, *, mark: str = "» ", on_failure: OnFailure | None = None) -> None:
        self._stream = stream
        self._mark = mark
        self._on_failure = on_failure

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Print `text` now; a tone by itself is not shown.

        Letters that the stream cannot show are shown as question marks.
        """
        if not text:
            return
        encoding = getattr(self._stream, "encoding", None) or "utf-8"
        line = f"{self._mark}{text}\n".encode(encoding, errors="replace").decode(encoding)
        try:
            self._stream.write(line)
            self._stream.flush()
        except (OSError, ValueError) as error:
            if self._on_failure is not None:
                self._on_failure(text, f"it cannot be printed: {error}")

    def stop(self) -> tuple[Sentence, ...]:
        """Do nothing: what is printed stays."""
        return ()

    @property
    def speaking(self) -> bool:
        """Always False."""
        return False

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Leave the stream to its owner."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """One sentence on the time line of a replay.

    Attributes
    ----------
    start_s, end_s : float
        When it begins and ends, in seconds of the given clock.
    text : str
        What was said.
    """

    start_s: float
    end_s: float
    text: str


class FileVoice:
    """Puts what is said into a sound file, each sentence at the time when it was said.

    A sentence begins when it is said, or right after the one before if that is still playing.  The
    file lasts until the last sentence ends or until the time of `close`, whichever is later.

    Parameters
    ----------
    path : path
        File to write on `close`; its ending chooses the format, .flac or .wav.
    synthesiser : Synthesiser
        Is closed together with the voice.
    now : callable
        Returns the seconds since the start of the recording.
    rate_hz : int
        Sample rate of the file.
    on_failure : callable or None
        Is given each sentence that could not be spoken, and why.

    Raises
    ------
    UserError
        If the ending is another, or the folder does not exist.
    """

    name = "file"

    def __init__(
        self,
        path: Path,
        synthesiser: Synthesiser,
        now: Callable[[], float],
        *,
        rate_hz: int = 22_050,
        on_failure: OnFailure | None = None,
    ) -> None:
        if path.suffix.lower() not in {".flac", ".wav"}:
            raise UserError(f"The voice cannot be written to {path}: use a name that ends in .flac or .wav.")
        if not path.parent.is_dir():
            raise UserError(f"The voice cannot be written to {path}: make the folder {path.parent} first.")
        self._path = path
        self._synthesiser = synthesiser
        self._now = now
        self._rate_hz = rate_hz
        self._on_failure = on_failure
        self._spoken: list[tuple[Spoken, Sound]] = []
        self._closed = False

    @property
    def spoken(self) -> list[Spoken]:
        """What was said so far and when, in the order of time."""
        return [spoken for spoken, _ in self._spoken]

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Put `text` on the time line, with `tone` before it; the order is that of saying."""
        said_s = self._now()
        try:
            if self._closed:
                raise SynthesisError("the voice is closed")
            sound = Sound(np.zeros(0, np.int16), self._rate_hz)
            if text:
                sound = self._synthesiser.synthesise(text).at_rate(self._rate_hz)
            if tone is not None:
                sound = sound.after(tones.tone(tone))
        except SynthesisError as error:
            if self._on_failure is not None:
                self._on_failure(text, str(error))
            return
        start_s = max(said_s, self._end_s, 0.0)
        self._spoken.append((Spoken(start_s, start_s + sound.duration_s, text), sound))

    def stop(self) -> tuple[Sentence, ...]:
        """Cut the sentence that is playing now and drop those after it."""
        now_s = self._now()
        kept = [(spoken, sound) for spoken, sound in self._spoken if spoken.start_s < now_s]
        unsaid = [spoken.text for spoken, _ in self._spoken if spoken.end_s > now_s]
        if kept and kept[-1][0].end_s > now_s:
            spoken, sound = kept[-1]
            samples = round((now_s - spoken.start_s) * sound.rate_hz)
            kept[-1] = (replace(spoken, end_s=now_s), Sound(sound.pcm[:samples], sound.rate_hz))
        self._spoken = kept
        return tuple(map(Sentence, unsaid))

    @property
    def speaking(self) -> bool:
        """True until the clock has reached the end of the last sentence."""
        return self._now() < self._end_s

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Write the file and close the synthesiser.

        Raises
        ------
        UserError
            If the file cannot be written.
        """
        if self._closed:
            return
        self._closed = True
        self._synthesiser.close()
        try:
            self._write()
        except (OSError, soundfile.SoundFileError) as error:
            raise UserError(
                f"The voice cannot be written to {self._path} ({error}): choose another place."
            ) from error

    @property
    def _end_s(self) -> float:
        return self._spoken[-1][0].end_s if self._spoken else 0.0

    def _write(self) -> None:
        with soundfile.SoundFile(
            self._path, "w", samplerate=self._rate_hz, channels=1, subtype="PCM_16"
        ) as file:
            written = 0

            def silence_until(sample: int) -> None:
                nonlocal written
                # A second at a time: between two sentences may lie an hour.
                while (gap := min(sample - written, self._rate_hz)) > 0:
                    file.write(np.zeros(gap, np.int16))
                    written += gap

            for spoken, sound in self._spoken:
                silence_until(round(spoken.start_s * self._rate_hz))
                file.write(sound.pcm)
                written += len(sound.pcm)
            # A FLAC file without a single sample could not be read.
            silence_until(max(1, round(self._now() * self._rate_hz)))
