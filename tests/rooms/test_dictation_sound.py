"""Dictation by sound: a recording and a live room, with and without a model that writes freely.

The speakers are flite voices, stand-ins for people: this shows that notes are taken, nothing about accuracy.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
import soundfile
from test_live_room import listening, say

from checkback import app
from checkback.dictation import FOLDER
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.recording import Recording
from checkback.language.phrasebook import Phrasebook
from checkback.listeners import make_recogniser
from checkback.record.entry import Dictation
from checkback.settings import Settings
from sound_room import SoundRoom, missing, wait_until
from speakers import needs_flite, silence, spoken
from whisper_weights import WEIGHTS, needs_weights

pytestmark = [needs_flite, pytest.mark.timeout(280)]

START = datetime(2026, 3, 2, 8, 0, 0, tzinfo=timezone(timedelta(hours=1)))
PASSAGE = "the patient was anxious and was given some time"


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    return app.load_book(Settings())


def replayed(folder: Path, settings: Settings, book: Phrasebook, *sentences: str) -> list[object]:
    """Replay sentences with pauses; return the bodies of the entries in force."""
    parts = [silence(1.0)]
    for sentence in sentences:
        parts += [spoken(sentence), silence(1.5)]
    file = folder / "said.flac"
    soundfile.write(file, np.concatenate(parts), SAMPLE_RATE_HZ)
    recogniser = make_recogniser(settings, book)
    try:
        loop = app.replay(
            Recording(file),
            folder / "case",
            settings,
            book,
            recogniser,
            start=START,
            sound=False,
            report=lambda heard: None,
            show=lambda line: None,
        )
    finally:
        recogniser.close()
    return [entry.body for entry in loop.case.in_force()]


def test_with_the_built_in_recogniser_a_note_is_kept_as_sound(book: Phrasebook, tmp_path: Path) -> None:
    settings = Settings.model_validate({"hearing": {"recogniser": "pocketsphinx", "second": "none"}})
    bodies = replayed(
        tmp_path, settings, book, "begin note", PASSAGE, "heparin five thousand units", "end note"
    )
    (note,) = [body for body in bodies if isinstance(body, Dictation)]
    assert (note.text, note.writer, note.ended_by) == ("", None, "said")
    # the call-out inside is in the sound, and no entry
    assert not [body for body in bodies if getattr(body, "kind", "") == "drug"]
    assert note.clip is not None
    clip = tmp_path / "case" / note.clip
    assert sha256(clip.read_bytes()).hexdigest() == note.clip_sha256
    assert soundfile.info(clip).duration > (len(spoken(PASSAGE)) / SAMPLE_RATE_HZ) + 1.5
    voice = (tmp_path / "case" / "checkbacks.txt").read_text()
    assert "words need a dictation model" in voice


@pytest.mark.whisper
@needs_weights[1]
@pytest.mark.parametrize("listeners", [("pocketsphinx", "whisper"), ("whisper", "none")])
def test_with_whisper_a_note_is_written_down(
    book: Phrasebook, tmp_path: Path, listeners: tuple[str, str]
) -> None:
    recogniser, second = listeners
    settings = Settings.model_validate(
        {
            "hearing": {
                "recogniser": recogniser,
                "second": second,
                "whisper_model": str(WEIGHTS),
                "keep_dictation_sound": True,
            }
        }
    )
    bodies = replayed(tmp_path, settings, book, "begin note", PASSAGE, "end note", "wire out")
    (note,) = [body for body in bodies if isinstance(body, Dictation)]
    assert note.text.lower().startswith(PASSAGE)
    assert (note.writer, note.ended_by) == ("whisper", "said")
    assert note.clip is not None
    assert (tmp_path / "case" / note.clip).exists()
    # what follows the note is a call-out again, or asked about, and no part of it
    assert "wire" not in note.text.lower()


@pytest.mark.whisper
@needs_weights[1]
def test_what_sounds_like_the_end_of_a_note_belongs_to_it(book: Phrasebook, tmp_path: Path) -> None:
    settings = Settings.model_validate({"hearing": {"recogniser": "whisper", "whisper_model": str(WEIGHTS)}})
    bodies = replayed(tmp_path, settings, book, "begin note", "it was not easy", "and then", "end note")
    (note,) = [body for body in bodies if isinstance(body, Dictation)]
    assert note.text.lower().replace(".", "").replace(",", "").split()[-2:] == ["and", "then"]
    assert note.ended_by == "said"


@pytest.mark.sound
@pytest.mark.skipif(bool(missing()), reason=missing())
def test_in_a_live_room(tmp_path: Path) -> None:
    settings = tmp_path / "settings.toml"
    settings.write_text('[hearing]\nrecogniser = "pocketsphinx"\nsecond = "none"\n')
    case = tmp_path / "case"
    with SoundRoom() as room, listening(room, case, settings=settings) as program:
        say(room, tmp_path, "begin note")
        say(room, tmp_path, PASSAGE, to_the_end=False)
        wait_until(lambda: any((case / FOLDER).glob("*.pcm")), "the sound of the note", limit_s=40.0)
        say(room, tmp_path, "end note", to_the_end=False)
        wait_until(
            lambda: any(isinstance(e.body, Dictation) and e.body.clip is not None for e in program.entries()),
            "the note",
            limit_s=40.0,
        )
        assert program.end() == 0
        (note,) = [e for e in program.entries() if isinstance(e.body, Dictation) and e.body.ended is not None]
    assert isinstance(note.body, Dictation)
    assert note.body.clip is not None
    assert soundfile.info(case / note.body.clip).duration > 2.0
