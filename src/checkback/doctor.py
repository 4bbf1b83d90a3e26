"""What works on this computer, what does not, and what to do about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from checkback import app
from checkback.errors import UserError
from checkback.hearing.pedals.bindings import in_words
from checkback.hearing.pedals.events import PedalNotice
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Utterance
from checkback.hearing.voice_activity import WITHOUT_NEURAL, neural_runs
from checkback.settings import Settings, vosk_model, whisper_model

State = Literal["works", "missing", "broken"]


@dataclass(frozen=True)
class Finding:
    """One part of the house and how it is.

    Attributes
    ----------
    part : str
    state : {"works", "missing", "broken"}
        Missing: the program does without it.  Broken: it cannot run like this.
    what : str
    remedy : str
        What to do; empty if it works.
    """

    part: str
    state: State
    what: str
    remedy: str = ""


def examine(settings: Settings) -> list[Finding]:
    """Try every part for real and return what was found."""
    return [
        _tried("phrasebook", lambda: _phrasebook(settings), needed=True),
        _tried("recogniser", lambda: _recogniser(settings), needed=True),
        _tried("vosk model", lambda: _vosk(settings), needed=settings.hearing.recogniser == "vosk"),
        _tried("whisper model", lambda: _whisper(settings), needed=settings.hearing.recogniser == "whisper"),
        _tried("voice detector", _voice_detector, needed=False),
        _tried("microphone", lambda: _microphone(settings), needed=False),
        _tried("voice", lambda: _voice(settings), needed=False),
        _tried("loudspeaker", lambda: _loudspeaker(settings), needed=False),
        _tried("sound in the room", lambda: _room(settings), needed=False),
        _tried("pedal", lambda: _pedal(settings), needed=settings.pedals.use),
        _tried("cases folder", lambda: _cases(settings), needed=True),
    ]


def _tried(part: str, attempt: Callable[[], str], *, needed: bool) -> Finding:
    try:
        return Finding(part, "works", attempt())
    except UserError as error:
        what, _, remedy = str(error).partition(": ")
        return Finding(part, "broken" if needed else "missing", what, remedy)
    except Exception as error:  # one part that fails in an unforeseen way must not hide the others
        return Finding(
            part, "broken", f"{type(error).__name__}: {error}", "install checkback again, or report this line"
        )


def _phrasebook(settings: Settings) -> str:
    book = app.load_book(settings)
    return f"{book.source}, {sum(1 for _ in book.families())} families"


def _recogniser(settings: Settings) -> str:
    recogniser = app.make_recogniser(settings, app.load_book(settings))
    try:
        # a second of silence, decoded for real
        silence = np.zeros(SAMPLE_RATE_HZ, dtype=np.int16)
        recogniser.hear(Utterance(silence, 0.0, 1.0))
    finally:
        recogniser.close()
    return f"{recogniser.name} decodes"


def _vosk(settings: Settings) -> str:
    model = vosk_model(settings)
    if model is None:
        raise UserError(
            "none is set or found: the built-in recogniser is used; see models_download.md for a Vosk model"
        )
    from checkback.hearing.vosk import VoskRecogniser

    recogniser = VoskRecogniser(model, app.grammar_of(app.load_book(settings)), drop_unknown=True)
    recogniser.close()
    unknown = recogniser.unknown_words
    never = f"; it does not know, and would never hear: {', '.join(unknown)}" if unknown else ""
    return f"{model} loads{never}"


def _whisper(settings: Settings) -> str:
    model = whisper_model(settings)
    if model is None:
        raise UserError(
            "none is set or found: there is no second opinion and notes are kept as sound; "
            "see models_download.md for a Whisper model"
        )
    from checkback.hearing.whisper import WhisperListener

    WhisperListener(model, language=app.load_book(settings).file.language).close()
    return f"{model} loads"


def _voice_detector() -> str:
    if not neural_runs():
        raise UserError(WITHOUT_NEURAL)
    return "the neural one runs"


def _microphone(settings: Settings) -> str:
    from checkback.hearing.microphone import Microphone

    microphone = Microphone(settings.hearing.microphone)
    try:
        blocks = [microphone.read(timeout_s=0.5) for _ in range(20)]
    finally:
        microphone.close()
    heard = [block for block in blocks if block is not None]
    if not heard:
        raise UserError(f"{microphone.name} gives no sound: check its plug and the sound settings")
    peak = max(int(np.abs(pcm.astype(np.int32)).max()) for pcm, _ in heard)
    level = "silent so far" if peak == 0 else f"peak {20 * np.log10(peak / 32768):.0f} dB of full scale"
    return f"{microphone.name}, {level}"


def _voice(settings: Settings) -> str:
    synthesiser = app.make_synthesiser(app.in_language_of(app.load_book(settings), settings))
    try:
        sound = synthesiser.synthesise("checkback")
    finally:
        synthesiser.close()
    return f"{synthesiser.name}, {sound.duration_s:.1f} s of sound for one word"


def _loudspeaker(settings: Settings) -> str:
    from checkback.speaking.loudspeaker import LoudspeakerVoice

    voice = LoudspeakerVoice(app.make_synthesiser(settings), device=settings.speaking.loudspeaker)
    voice.close()
    return settings.speaking.loudspeaker or "the default device opens"


def _room(settings: Settings) -> str:
    """Let the voice speak and listen to it."""
    from checkback.hearing.microphone import Microphone
    from checkback.room_check import listen_to_voice
    from checkback.speaking.loudspeaker import LoudspeakerVoice

    if settings.speaking.voice in ("text", "silent"):
        return f"the voice is {settings.speaking.voice}"
    microphone = Microphone(settings.hearing.microphone)
    try:
        voice = LoudspeakerVoice(app.make_synthesiser(settings), device=settings.speaking.loudspeaker)
        try:
            found = listen_to_voice(voice, microphone)
        finally:
            voice.close()
    finally:
        microphone.close()
    now_s = settings.speaking.hold_off_s
    if found.heard and found.hold_off_s > now_s:
        return f"{found.verdict}; set speaking.hold_off_s to {found.hold_off_s} (it is {now_s})"
    return found.verdict


def _pedal(settings: Settings) -> str:
    noticed: list[PedalNotice] = []
    pedal = app.make_pedal(settings, lambda event: None, noticed.append)
    pedal.close()
    if noticed:
        raise UserError(f"{noticed[0].what[0].upper()}{noticed[0].what[1:]}")
    off = "" if settings.pedals.use else " (pedals.use is off in the settings)"
    return f"{pedal.description} can be watched; {in_words(settings.pedals.bindings)}{off}"


def check_writable(folder: Path, remedy: str) -> None:
    """Make sure that a folder can be made or written to.

    Parameters
    ----------
    folder : Path
    remedy : str
        What to do if it cannot.

    Raises
    ------
    UserError
    """
    folder = folder.absolute()
    try:
        there = next(p for p in (folder, *folder.parents) if p.exists())
        probe = there / ".checkback-probe"
        probe.write_bytes(b"")
        probe.unlink()
    except OSError as error:
        raise UserError(f"{folder} cannot be written ({error.strerror}): {remedy}") from None


def _cases(settings: Settings) -> str:
    check_writable(settings.cases, "give another folder in the setting cases")
    return f"{settings.cases.absolute()} can be written"
