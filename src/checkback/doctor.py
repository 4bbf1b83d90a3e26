"""What works on this computer, what does not, and what to do about it."""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

import numpy as np

from checkback import app
from checkback.errors import UserError
from checkback.extras import extra
from checkback.hearing.enrolment import LIST, learnt_from, voices_in
from checkback.hearing.pedals.bindings import in_words
from checkback.hearing.pedals.devices import devices, may_be_read
from checkback.hearing.pedals.events import PedalNotice
from checkback.hearing.pocketsphinx import PocketSphinxRecogniser, can_be_tuned
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Utterance
from checkback.hearing.voice_activity import WITHOUT_NEURAL, neural_runs
from checkback.hearing.whisper import PACKAGES
from checkback.language.phrasebook import Phrasebook
from checkback.settings import Settings, grammars_folder, vosk_model, whisper_model
from checkback.speaking.sound_cards import loudspeaker_names

LEAST_FREE_BYTES = 500_000_000
"""So little room, and it is warned of: dictated notes are kept as sound, and tables are written at the end."""

FIRST_YEAR = 2026
"""A clock that shows an earlier year is not set."""

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


class _DoneWithoutError(UserError):
    """Something is not there, and the program does without it whatever the settings say."""


def examine(settings: Settings) -> list[Finding]:
    """Try every part for real and return what was found."""
    _read_book.cache_clear()
    hearing, speaking, pedals, display = (
        settings.hearing,
        settings.speaking,
        settings.pedals,
        settings.display,
    )
    aloud = speaking.voice == "loudspeaker" or (speaking.voice == "auto" and speaking.loudspeaker is not None)
    by_vosk = hearing.recogniser == "vosk" or hearing.vosk_model is not None or _heard_by_vosk_only(settings)
    by_whisper = (
        hearing.recogniser == "whisper"
        or hearing.second == "whisper"
        or (hearing.whisper_model is not None and hearing.second != "none")
    )
    return [
        _tried("phrasebook", lambda: _phrasebook(settings), needed=True),
        _tried("cards", lambda: _cards(settings), needed=True),
        _tried("recogniser", lambda: _recogniser(settings), needed=True),
        _tried("vosk model", lambda: _vosk(settings), needed=by_vosk),
        _tried("whisper model", lambda: _whisper(settings), needed=by_whisper),
        _tried("extras", lambda: installed(extras_asked(settings)), needed=True),
        _tried("voice detector", _voice_detector, needed=False),
        _tried("microphones", _microphones, needed=False),
        _tried("microphone", lambda: _microphone(settings), needed=hearing.microphone is not None),
        _tried("voice", lambda: _voice(settings), needed=aloud),
        _tried("loudspeakers", _loudspeakers, needed=False),
        _tried("loudspeaker", lambda: _loudspeaker(settings), needed=aloud),
        _tried("sound in the room", lambda: _room(settings), needed=False),
        _tried("devices with keys", _key_devices, needed=False),
        _tried("pedal", lambda: _pedal(settings), needed=pedals.use),
        _tried("display", lambda: _display(settings), needed=display.use),
        _tried("cases folder", lambda: _cases(settings), needed=True),
        _tried("disk space", lambda: disk_space(settings.cases), needed=False),
        _tried("clock", lambda: clock(datetime.now().astimezone()), needed=True),
        _tried("time zone", _time_zone, needed=False),
    ]


def _tried(part: str, attempt: Callable[[], str], *, needed: bool) -> Finding:
    try:
        return Finding(part, "works", attempt())
    except UserError as error:
        what, _, remedy = " ".join(str(error).split()).partition(": ")
        remedy = remedy or "set it anew with checkback setup"
        without = isinstance(error, _DoneWithoutError) or not needed
        return Finding(part, "missing" if without else "broken", what, remedy)
    except Exception as error:  # one part that fails in an unforeseen way must not hide the others
        what = " ".join(f"{type(error).__name__}: {error}".split())
        return Finding(part, "broken", what, "install checkback again, or report this line")


def _book(settings: Settings) -> Phrasebook:
    return _read_book(grammars_folder(settings), settings.language.phrasebook)


@lru_cache(maxsize=1)
def _read_book(folder: Path, name: str) -> Phrasebook:
    # most parts ask for it, and to read it takes a second
    return Phrasebook.load(folder, name)


def _cards(settings: Settings) -> str:
    silent: list[str] = []
    book = _book(settings)
    if not book.file.bailout:
        raise _DoneWithoutError(
            f"{book.file.name} has no words for them, so none is opened or offered and the clock of an arrest is "
            "silent: add [bailout] to the phrasebook; checkback card shows them all the same"
        )
    if app.make_bailout(settings, book, silent.append) is None:
        raise UserError(" ".join(silent))
    return f"{settings.guiding.regime} is the regime of an arrest"


def _phrasebook(settings: Settings) -> str:
    book = _book(settings)
    return f"{book.source}, {sum(1 for _ in book.families())} families"


def _heard_by_vosk_only(settings: Settings) -> bool:
    try:
        return _only_vosk(_book(settings))
    except UserError:
        # that is told of the phrasebook
        return False


def _only_vosk(book: Phrasebook) -> bool:
    return book.file.recognisers == ("vosk",)


def _recogniser(settings: Settings) -> str:
    book = _book(settings)
    if _only_vosk(book) and vosk_model(settings) is None:
        raise UserError(
            f"only Vosk can hear {book.file.name}, and there is no model for it: set hearing.vosk_model, see "
            "models_download.md, or type only (checkback listen --typed)"
        )
    recogniser = app.make_recogniser(settings, book)
    try:
        # a second of silence, decoded for real
        silence = np.zeros(SAMPLE_RATE_HZ, dtype=np.int16)
        recogniser.hear(Utterance(silence, 0.0, 1.0))
    finally:
        recogniser.close()
    if PocketSphinxRecogniser.name not in recogniser.name or not settings.hearing.tuned:
        return f"{recogniser.name} decodes"
    if settings.hearing.voices is not None:
        return f"{recogniser.name} decodes, tuned for call-outs{_voices(settings.hearing.voices)}"
    if can_be_tuned():
        return f"{recogniser.name} decodes, tuned for call-outs"
    return f"{recogniser.name} decodes, with the built-in model as it came: the tuning is for another one"


def _voices(folder: Path) -> str:
    """Return whose voices were learnt, and whether somebody has read since."""
    path, found = learnt_from(folder), voices_in(folder)
    later = [name for name in found if (folder / name / LIST).stat().st_mtime > path.stat().st_mtime]
    known = [name for name in found if name not in later]
    told = f" and for the voices of {', '.join(known)}" if known else ""
    return f"{told}; not learnt yet: {', '.join(later)}, run checkback enrol" if later else told


def _vosk(settings: Settings) -> str:
    model = vosk_model(settings)
    book = _book(settings)
    if model is None:
        if _only_vosk(book):
            raise UserError(
                f"none is set or found, and {book.file.name} is heard by Vosk only: see models_download.md"
            )
        raise UserError(
            "none is set or found: the built-in recogniser is used; see models_download.md for a Vosk model"
        )
    from checkback.hearing.vosk import VoskRecogniser

    recogniser = VoskRecogniser(model, app.grammar_of(book), drop_unknown=True)
    recogniser.close()
    unknown = recogniser.unknown_words
    never = f"; it does not know, and would never hear: {', '.join(unknown)}" if unknown else ""
    return f"{model} loads{never}"


def _whisper(settings: Settings) -> str:
    model = whisper_model(settings)
    book = _book(settings)
    if model is None:
        second = "there is no second opinion and " if "whisper" in book.file.recognisers else ""
        raise UserError(
            f"none is set or found: {second}notes are kept as sound if there is no Vosk model either; "
            "see models_download.md for a Whisper model"
        )
    from checkback.hearing.whisper import WhisperListener

    listener = WhisperListener(model, language=book.file.language, tuned=settings.hearing.tuned)
    try:
        found = listener.listen(np.zeros(SAMPLE_RATE_HZ, np.int16))
    finally:
        listener.close()
    if "whisper" not in book.file.recognisers or not settings.hearing.tuned:
        return f"{model} loads"
    if found is not None and found.tuned:
        return f"{model} loads, and is tuned for call-outs"
    return f"{model} loads, and is used as it came: the tuning is for the multilingual base model alone"


def _voice_detector() -> str:
    if not neural_runs():
        raise UserError(WITHOUT_NEURAL)
    return "the neural one runs"


def extras_asked(settings: Settings) -> dict[str, tuple[str, ...]]:
    """Return the extras that the settings ask for, each with the packages that are used of it."""
    hearing, pedals = settings.hearing, settings.pedals
    asked: dict[str, tuple[str, ...]] = {}
    if pedals.use:
        as_device = sys.platform == "linux" and (
            pedals.watch == "evdev" or (pedals.watch == "auto" and pedals.device is not None)
        )
        asked["pedal"] = ("evdev",) if as_device else ("pynput",)
    if settings.display.use:
        asked["display"] = ("starlette", "uvicorn")
    if hearing.recogniser == "whisper" or (hearing.second != "none" and whisper_model(settings) is not None):
        asked["whisper"] = PACKAGES
    return asked


def installed(asked: Mapping[str, tuple[str, ...]]) -> str:
    """Make sure that the packages of extras are there.

    Raises
    ------
    UserError
        If some are not; names all of them.
    """
    lacking = {
        name: missing
        for name, packages in asked.items()
        if (missing := [package for package in packages if find_spec(package) is None])
    }
    if lacking:
        packages = ", ".join(package for missing in lacking.values() for package in missing)
        raise UserError(
            f"the settings ask for what is not installed ({packages}): pip install 'checkback[{','.join(lacking)}]'"
        )
    return f"{', '.join(asked)} installed" if asked else "the settings ask for none"


def _microphones() -> str:
    from checkback.hearing.microphone import microphone_names

    return _names(microphone_names(), "microphone")


def _loudspeakers() -> str:
    return _names(loudspeaker_names(), "loudspeaker")


def _names(names: tuple[str, ...], what: str) -> str:
    if not names:
        raise UserError(f"no {what} is there: plug one in, or check the sound settings of this computer")
    return "; ".join(names)


def _key_devices() -> str:
    found = devices()
    if not found:
        raise UserError(
            "none is seen here: a pedal is watched through the display, as keys, or plug one in (Linux)"
        )
    return "; ".join(f"{each}{'' if may_be_read(each) else ' (may not be read)'}" for each in found)


def _microphone(settings: Settings) -> str:
    from checkback.hearing.microphone import Microphone

    microphone = Microphone(settings.hearing.microphone)
    try:
        blocks = [microphone.read(timeout_s=0.5) for _ in range(20)]
    finally:
        microphone.close()
    heard = [block for block in blocks if block is not None]
    if not heard:
        raise microphone.without_sound()
    peak = max(int(np.abs(pcm.astype(np.int32)).max()) for pcm, _ in heard)
    level = "silent so far" if peak == 0 else f"peak {20 * np.log10(peak / 32768):.0f} dB of full scale"
    return f"{microphone.name}, {level}"


def _voice(settings: Settings) -> str:
    synthesiser = app.make_synthesiser(app.in_language_of(_book(settings), settings))
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


def _display(settings: Settings) -> str:
    """Bind what would be served at, and tell who could come in."""
    wanted = settings.display
    for package in ("starlette", "uvicorn"):
        extra(package, of="display", purpose="The display")
    from checkback.showing.guard import is_loopback, reached_by_others
    from checkback.showing.server import bound_to

    bound = bound_to(wanted.host, wanted.port)
    port = bound.getsockname()[1]
    bound.close()
    token = (
        "the token that is set" if wanted.token else "a token that is made up at each start and shown then"
    )
    if not is_loopback(wanted.host):
        who = f"open to the network, without encryption: whoever has {token} sees the patient's data"
    elif reached_by_others(wanted.host, wanted.address):
        who = f"and at {wanted.address}: whoever has {token} sees the patient's data"
    else:
        who = "for this computer only" + (", with a token" if wanted.token else "")
    off = "" if wanted.use else " (display.use is off in the settings)"
    # at port 0 each start takes another one that is free
    where = f"port {port}" if wanted.port else "a port that is free"
    return f"can be served at {wanted.host}, {where}, {who}{off}"


def disk_space(folder: Path, least_bytes: int = LEAST_FREE_BYTES) -> str:
    """Tell how much room there is where cases go.

    Raises
    ------
    UserError
        If it is less than `least_bytes`.
    """
    there = next(p for p in (folder.absolute(), *folder.absolute().parents) if p.exists())
    free = shutil.disk_usage(there).free
    if free < least_bytes:
        raise UserError(
            f"only {free / 1e6:.0f} MB are free at {there}: make room there, or give another folder in the "
            "setting cases"
        )
    return f"{free / 1e9:.1f} GB free at {there}"


def clock(now: datetime) -> str:
    """Tell the time that entries would get.

    Raises
    ------
    UserError
        If it lies before this program was written.
    """
    if now.year < FIRST_YEAR:
        raise UserError(
            f"this computer takes it for {now:%Y-%m-%d %H:%M}, and every entry would have that time: set date and "
            "time of the computer"
        )
    return f"{now:%Y-%m-%d %H:%M:%S %Z (UTC%z)}; compare it with the clock of the room"


def _time_zone() -> str:
    if sys.platform == "linux" and not os.environ.get("TZ") and not Path("/etc/localtime").exists():
        raise UserError(
            "none is set, and times are in UTC: timedatectl set-timezone, or the environment variable TZ"
        )
    return time.tzname[time.localtime().tm_isdst > 0]


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
