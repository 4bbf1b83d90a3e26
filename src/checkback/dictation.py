"""Notes that are dictated: a free passage between "note" and "end note".

While a note is open everything that is said belongs to it and nothing else is done with it.  Each part
is on disk before the next is taken: its words in an entry that replaces the one before, its sound, if it
is kept, at the end of a file beside the journal.  So a restart in the middle loses nothing.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
import soundfile

from checkback import certainty
from checkback.attention import without_attention
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Heard, Pcm
from checkback.hearing.whisper import NO_SPEECH
from checkback.language.free_text import spoken_words
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.record.case import Case
from checkback.record.clock import Clock
from checkback.record.entry import Dictation, Entry, Moment

LONGEST_S = 180.0
"""A note that nobody ends is ended after this, s: what follows is meant for the record again."""

REMIND_S = 45.0
"""How often an open note is spoken of, s."""

SAID_BACK_WORDS = 12
"""A longer note is not said back word by word."""

COMMAND_WORDS = 3
"""An "end note" heard by the grammar alone does not count if more words than this were written."""

LEAST_FOR_COMMAND = 0.85
"""So probable a call-out that stands alone is taken for the end of a note.

By hand, with Whisper alone: "end note" by five synthetic voices had 0.97 and more in quiet and 0.85 to 0.97 in noise at
8 dB (one of them 0.846), "and then" up to 0.08 as the end, "send a note" up to 0.74; "and no" sounds alike (0.91).
"""

LEAST_LOGPROB_PER_WORD = -0.3
"""Where the writer finds that nobody spoke, words are made up unless they are this probable."""

FOLDER = "dictation"
_BETWEEN_PARTS = np.zeros(SAMPLE_RATE_HZ // 3, dtype="<i2")

Command = Literal["end", "disregard"]
EndedBy = Literal["said", "length", "restart", "stop"]


def _call_out(heard: Heard) -> str:
    """Return the words of the likeliest call-out, empty if it was probably none."""
    if not heard.hypotheses:
        return ""
    best = heard.hypotheses[0]
    if heard.free_text is None:
        # nobody but the one who knows nothing else than call-outs: in noise it is seldom sure of the end either
        return best.words if best.likely_speech_to_us else ""
    probabilities, _ = certainty.judge(heard, [1.0] * len(heard.hypotheses))
    likeliest = max(probabilities)
    return heard.hypotheses[probabilities.index(likeliest)].words if likeliest >= LEAST_FOR_COMMAND else ""


class Write(Protocol):
    """Puts a note on disk and into the case."""

    def __call__(
        self, body: Dictation, words: str, said: Moment, *, typed: bool, at: Moment, amends: int | None
    ) -> Entry:
        """Return the entry as it was written."""
        ...


class SoundFile:
    """The sound of one note: grows part by part, and becomes a FLAC file at the end.

    Parameters
    ----------
    case_folder : Path
    number : int
        Number of the note's first entry, which names the file.
    folder : str
        In the case folder.
    """

    def __init__(self, case_folder: Path, number: int, folder: str = FOLDER) -> None:
        self._case_folder = case_folder
        self._raw = case_folder / folder / f"{number:04}.pcm"
        self.name = f"{folder}/{number:04}.flac"
        # what the disk did not take
        self._waiting: list[bytes] = []

    def append(self, pcm: Pcm) -> None:
        """Add a part; what the disk does not take is kept in memory and tried again with the next."""
        self._waiting.append(np.concatenate([pcm.astype("<i2"), _BETWEEN_PARTS]).tobytes())
        with suppress(OSError):
            self._raw.parent.mkdir(exist_ok=True)
            with self._raw.open("ab") as file:
                while self._waiting:
                    # a part that was cut off by a full disk is taken back before it is tried again
                    size = file.seek(0, os.SEEK_END)
                    try:
                        file.write(self._waiting[0])
                        file.flush()
                        os.fsync(file.fileno())
                    except OSError:
                        with suppress(OSError):
                            file.truncate(size)
                        raise
                    del self._waiting[0]

    @property
    def holds_sound(self) -> bool:
        """Whether there is any sound, on disk or in memory."""
        return bool(self._waiting) or self._raw.exists()

    def finish(self) -> str:
        """Write the FLAC file and return its SHA-256; the parts are kept until `drop_parts`.

        Raises
        ------
        OSError
            If it cannot be written.
        """
        raw = (self._raw.read_bytes() if self._raw.exists() else b"") + b"".join(self._waiting)
        flac = BytesIO()
        soundfile.write(
            flac, np.frombuffer(raw[: len(raw) // 2 * 2], dtype="<i2"), SAMPLE_RATE_HZ, format="FLAC"
        )
        path = self._case_folder / self.name
        path.parent.mkdir(exist_ok=True)
        with path.open("wb") as file:
            file.write(flac.getvalue())
            file.flush()
            os.fsync(file.fileno())
        return sha256(flac.getvalue()).hexdigest()

    def drop_parts(self) -> None:
        """Remove the parts, once the entry that names the FLAC file is written."""
        self._waiting.clear()
        with suppress(OSError):
            self._raw.unlink(missing_ok=True)


@dataclass
class _Open:
    """A note that is being dictated."""

    entry: Entry
    body: Dictation
    sound: SoundFile
    typed: bool
    reminded_s: float

    @property
    def began(self) -> Moment:
        return self.entry.at


class Notes:
    """Takes notes.

    Parameters
    ----------
    book : Phrasebook
    reader : Reader
        Of typed lines.
    case_folder : Path
    clock : Clock
    write : Write
    keep_sound : bool
        Keep the sound where there are words too; without words it is always kept.
    show : callable
        Is given a line that needs attention.
    attention : sequence of str
        The attention words, which may be said before a command.
    """

    def __init__(
        self,
        book: Phrasebook,
        reader: Reader,
        case_folder: Path,
        clock: Clock,
        write: Write,
        *,
        keep_sound: bool,
        show: Callable[[str], None],
        attention: Sequence[str] = (),
    ) -> None:
        self._reader = reader
        self._attention = tuple(attention)
        self._file = book.file
        self._case_folder = case_folder
        self._clock = clock
        self._write = write
        self._keep_sound = keep_sound
        self._show = show
        self._open: _Open | None = None
        self._last: tuple[_Open, float] | None = None
        self._unsaved: _Open | None = None

    # --- what is understood ---------------------------------------------------------------------

    @property
    def open(self) -> bool:
        """Whether a note is being dictated."""
        return self._open is not None

    @property
    def open_typed(self) -> bool:
        """Whether a note is open that was begun at the keyboard."""
        return self._open is not None and self._open.typed

    def belongs(self, heard: Heard) -> bool:
        """Whether an utterance is part of a note: of the open one, or of one that ended while it was said."""
        if self._open is not None:
            return True
        return (
            self._last is not None and heard.utterance.dictated and heard.utterance.started_s < self._last[1]
        )

    def _family(self, words: str) -> str | None:
        readings = self._reader.read(words)
        return readings[0].family if readings and readings[0].role == "dialogue" else None

    def _spoken(self, text: str) -> str:
        return " ".join(spoken_words(text, self._file.numbers, self._file.typed))

    def _is_command(self, words: str, family: str) -> bool:
        readings = self._reader.read(words)
        return any(r.family == family and r.target is None and "target" not in r.fields for r in readings)

    def without_end(self, text: str) -> str | None:
        """Return a text without the "end note" at its end; None if there is none."""
        words = text.split()
        for count in range(1, min(COMMAND_WORDS, len(words)) + 1):
            if self._family(self._spoken(" ".join(words[-count:]))) == "end_note":
                return " ".join(words[:-count]).rstrip(" ,;")
        return None

    def without_beginning(self, text: str) -> str | None:
        """Return what follows the "note" at the beginning of a text; None if there is no such word."""
        words = text.split()
        for count in range(1, min(COMMAND_WORDS, len(words)) + 1):
            if self._family(self._spoken(" ".join(words[:count]))) == "note":
                return " ".join(words[count:]).lstrip(" ,;.:")
        return None

    def _without_call_at_end(self, text: str) -> str:
        """Return a text without the attention words at its end, however they are divided."""
        words = text.split()
        for count in range(1, min(len(self._attention), len(words)) + 1):
            if self._spoken(" ".join(words[-count:])).replace(" ", "") == "".join(self._attention):
                return " ".join(words[:-count]).rstrip(" ,;")
        return text

    def in_one_breath(self, heard: Heard) -> str | None:
        """Return the words of a note that was begun and ended within one utterance, else None."""
        if heard.free_text is None:
            return None
        called = () if heard.utterance.held else self._attention
        words = heard.free_text.text.split()
        if self._spoken(" ".join(words[: len(called)])) != " ".join(called):
            return None
        inside = self.without_end(" ".join(words[len(called) :]))
        return None if inside is None else self.without_beginning(inside) or None

    def understand(self, heard: Heard) -> tuple[str, Command | None]:
        """Return what an utterance adds to the open note, or the words of a command; and the command in it."""
        free = heard.note
        text = "" if free is None else free.text.strip()
        improbable = free is not None and free.logprob < LEAST_LOGPROB_PER_WORD * len(text.split())
        if free is not None and free.no_speech > NO_SPEECH and improbable:
            text = ""
        # different ones, because a writer that is lost repeats itself
        alone = len(set(self._spoken(text).split())) <= COMMAND_WORDS + len(self._attention)
        short = _call_out(heard) if alone else ""
        if (command := without_attention(short, self._attention)) is not None:
            short = command
        for words in (short, self._spoken(text)):
            if self._is_command(words, "disregard"):
                return words, "disregard"
        rest = self.without_end(text)
        if rest is not None:
            return self._without_call_at_end(rest), "end"
        if short and self._family(short) == "end_note":
            return "", "end"
        return text, None

    # --- what is written ------------------------------------------------------------------------

    def begin(self, said: Moment, *, words: str, typed: bool) -> Entry:
        """Open a note; one that is open already is ended first."""
        if self._open is not None:
            self.end("said")
        body = Dictation(text="")
        entry = self._write(body, words, said, typed=typed, at=said, amends=None)
        sound = SoundFile(self._case_folder, entry.n)
        self._open = _Open(entry, body, sound, typed, self._clock.now().monotonic_s)
        return entry

    def add(self, text: str, said: Moment, *, writer: str | None, pcm: Pcm | None) -> Entry | None:
        """Add a part to the open note, or to the one that has just ended.

        Parameters
        ----------
        text : str
            Its words; empty if there are none.
        said : Moment
            When it was said.
        writer : str or None
            Who wrote the words down; None: nobody could.
        pcm : ndarray of int16, shape (samples,), or None
            Its sound.
        """
        note, late = self._open, None
        if note is None:
            assert self._last is not None
            note = late = self._last[0]
        # a writer can be wrong in that nothing was said
        if pcm is not None and (self._keep_sound or writer is None or not text):
            note.sound.append(pcm)
        if text:
            joined = f"{note.body.text} {text}".strip()
            note.body = note.body.model_copy(update={"text": joined, "writer": writer})
        elif late is None or not note.sound.holds_sound:
            # the sound is on disk, and the entry is as it was
            return None
        if late is not None:
            return self._close(note)
        note.entry = self._put(note, text, said)
        return note.entry

    def end(self, by: EndedBy) -> Entry:
        """End the open note."""
        assert self._open is not None
        note, self._open = self._open, None
        now = self._clock.now()
        note.body = note.body.model_copy(update={"ended": now.wall, "ended_by": by})
        self._last = note, now.monotonic_s
        return self._close(note)

    def withdraw(self) -> Entry:
        """Give the open note up and return its entry, which is then withdrawn; its sound so far stays."""
        entry = self.end("said")
        self._last = None
        return entry

    def tick(self) -> Literal["remind", "length"] | None:
        """Look after the length of the open note and after sound that the disk did not take."""
        if self._unsaved is not None:
            note, self._unsaved = self._unsaved, None
            self._close(note)
        if self._open is None:
            return None
        now_s = self._clock.now().monotonic_s
        if now_s - self._open.began.monotonic_s >= LONGEST_S:
            self.end("length")
            return "length"
        if now_s - self._open.reminded_s >= REMIND_S:
            self._open.reminded_s = now_s
            return "remind"
        return None

    def recover(self, case: Case) -> Entry | None:
        """End a note that a restart interrupted, with all that was dictated until then."""
        left = [e for e in case.in_force() if isinstance(e.body, Dictation) and e.body.ended is None]
        closed = None
        for entry in left:
            assert isinstance(entry.body, Dictation)
            first = next(iter(earlier_parts(case, entry)), entry)
            body = entry.body.model_copy(update={"ended": entry.recorded.wall, "ended_by": "restart"})
            sound = SoundFile(self._case_folder, first.n)
            closed = self._close(_Open(entry, body, sound, entry.source == "typed", 0.0))
        return closed

    def _put(self, note: _Open, words: str, said: Moment) -> Entry:
        return self._write(note.body, words, said, typed=note.typed, at=note.entry.at, amends=note.entry.n)

    def _close(self, note: _Open) -> Entry:
        """Write a note that has ended, with its sound."""
        wanted = note.sound.holds_sound
        if wanted:
            try:
                digest = note.sound.finish()
            except (OSError, soundfile.LibsndfileError) as error:
                if self._unsaved is not note:
                    self._show(f"the sound of the note is not saved yet ({error}): make room on the disk")
                self._unsaved = note
                if note.body == note.entry.body:
                    return note.entry
            else:
                note.body = note.body.model_copy(update={"clip": note.sound.name, "clip_sha256": digest})
        if note.body != note.entry.body:
            note.entry = self._put(note, "", self._clock.now())
        if wanted and note.body.clip is not None:
            note.sound.drop_parts()
        return note.entry


def earlier_parts(case: Case, entry: Entry) -> list[Entry]:
    """Return the entries that a note replaced, its first one first."""
    found: list[Entry] = []
    while entry.amends is not None and (before := case.entry(entry.amends)) is not None:
        found.insert(0, before)
        entry = before
    return found
