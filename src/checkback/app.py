"""The only place where the rooms are joined: settings, adapters, loop."""

from __future__ import annotations

import gc
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from checkback import __version__, paperwork
from checkback.bailout import Bailout
from checkback.call_outs import Outcome
from checkback.display import Display, open_display
from checkback.errors import UserError
from checkback.guiding import deck as decks
from checkback.hearing.endpointing import BLOCK_S, Segmenter
from checkback.hearing.interruption import Interruption
from checkback.hearing.microphone import Microphone
from checkback.hearing.pedals.events import OnNotice, OnPedal, Pedal, PedalEvent
from checkback.hearing.pedals.opening import is_stream, open_pedal, stream_events
from checkback.hearing.pedals.script import ScriptedPedal
from checkback.hearing.recogniser import Recogniser, Utterance
from checkback.hearing.recording import Recording
from checkback.hearing.voice_activity import WITHOUT_NEURAL, neural_runs
from checkback.language.catalogue import read_json, read_toml
from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.listeners import grammar_of as grammar_of
from checkback.listeners import make_recogniser as make_recogniser
from checkback.listening import TICK_S, Listening
from checkback.loop import Loop
from checkback.record.case import Case
from checkback.record.clock import HandClock, SystemClock
from checkback.record.entry import Entry, Patient
from checkback.record.journal import JOURNAL, Journal, verify
from checkback.reporting.narrative import TEMPLATE, narrative
from checkback.reporting.tables import write_tables
from checkback.settings import Settings, attention_of, grammars_folder
from checkback.speaking.loudspeaker import LoudspeakerVoice, Sounding
from checkback.speaking.polite import PoliteVoice
from checkback.speaking.synthesis import (
    Espeak,
    Pyttsx3,
    Synthesiser,
    VoiceSettings,
    read_pronunciations,
)
from checkback.speaking.voice import Sentence, Tone, Urgency, Voice
from checkback.speaking.voices import FileVoice, SilentVoice, TextVoice
from checkback.watching.limits import load as load_limits

CHECKBACKS = "checkbacks.txt"
CHECKBACKS_SOUND = "checkbacks.flac"
NARRATIVE = "narrative.txt"

OWN_LANGUAGE = "en"
"""The language in which a voice speaks that was not told another one."""


def load_book(settings: Settings) -> Phrasebook:
    """Load the phrasebook that the settings name."""
    return Phrasebook.load(grammars_folder(settings), settings.language.phrasebook)


def make_bailout(settings: Settings, book: Phrasebook, show: Callable[[str], None]) -> Bailout | None:
    """Read the bailout cards; None if the phrasebook has no words for them, which is shown.

    Raises
    ------
    UserError
        If a card, the equipment or the regimes have a mistake, or there is no such regime.
    """
    if not book.file.bailout:
        show(
            f"{book.source}: no [bailout]: no card is opened or offered here, and the clock of an arrest is silent."
        )
        return None
    deck = decks.load(grammars_folder(settings))
    return Bailout(deck, settings.guiding.regime, book, two_person=settings.guiding.two_person)


def load_plan(path: Path) -> Patient:
    """Read what is known of the patient before the case from a TOML or JSON file.

    Its keys are the fields of the entry `Patient`.

    Raises
    ------
    UserError
        If the file is missing or a key is wrong.
    """
    return read_json(path, Patient) if path.suffix == ".json" else read_toml(path, Patient)


def in_language_of(book: Phrasebook, settings: Settings) -> Settings:
    """Return the settings with a voice of the phrasebook's language, where none is named.

    The espeak voice is known by the language's own code; of another engine nobody here knows the
    names, so it has to be named in the settings.
    """
    speaking = settings.speaking
    if (
        speaking.speaker is not None
        or book.file.language == OWN_LANGUAGE
        or _synthesiser(settings) != "espeak"
    ):
        return settings
    return settings.model_copy(
        update={"speaking": speaking.model_copy(update={"speaker": book.file.language})}
    )


def _synthesiser(settings: Settings) -> Literal["espeak", "pyttsx3"]:
    choice = settings.speaking.synthesiser
    if choice == "auto":
        return "espeak" if sys.platform == "linux" else "pyttsx3"
    return choice


def make_synthesiser(settings: Settings) -> Synthesiser:
    """Start the synthesiser: the direct library on Linux, pyttsx3 elsewhere.

    Raises
    ------
    UserError
        If it cannot be used on this computer.
    """
    speaking = settings.speaking
    how = VoiceSettings(voice=speaking.speaker, rate_wpm=speaking.rate_wpm, volume=speaking.volume)
    if _synthesiser(settings) != "espeak":
        return Pyttsx3(how)
    table = grammars_folder(settings) / f"{settings.language.phrasebook}.espeak"
    return Espeak(how, pronunciations=read_pronunciations(table))


def make_voice(
    settings: Settings,
    *,
    show: Callable[[str], None],
    on_sounding: Callable[[Sounding], None] | None = None,
    prepared: Iterable[str] = (),
) -> Voice:
    """Open the voice that the settings name; `auto` falls back to text and says so.

    What is `prepared` is made into sound while nothing is to be said.

    Raises
    ------
    UserError
        If a named voice cannot be opened.
    """
    choice = settings.speaking.voice
    if choice == "silent":
        return SilentVoice()
    if choice == "text":
        return _text_voice()
    try:
        synthesiser = make_synthesiser(settings)
        try:
            voice = LoudspeakerVoice(
                synthesiser,
                device=settings.speaking.loudspeaker,
                tone_volume=settings.speaking.volume,
                on_failure=lambda text, why: show(f"not spoken: {text} ({why})"),
                on_sounding=on_sounding,
            )
            voice.prepare(prepared)
            return voice
        except UserError:
            synthesiser.close()
            raise
    except UserError as error:
        if choice == "loudspeaker":
            raise
        show(f"{error} Check-backs are shown as text.")
        return _text_voice()


def _text_voice() -> TextVoice:
    try:
        "»".encode(sys.stdout.encoding or "utf-8")
    except UnicodeEncodeError:
        return TextVoice(sys.stdout, mark="> ")
    return TextVoice(sys.stdout)


def make_pedal(settings: Settings, on_event: OnPedal, on_notice: OnNotice) -> Pedal:
    """Begin to watch the pedal that the settings name; see `open_pedal`."""
    pedals = settings.pedals
    return open_pedal(
        on_event,
        pedals.bindings,
        how=pedals.watch,
        device=pedals.device,
        grab=pedals.grab,
        timing=pedals.timing,
        on_notice=on_notice,
    )


def load_presses(path: Path, settings: Settings, start: datetime | None) -> tuple[PedalEvent, ...]:
    """Read what was pressed during a recording: a script, or a stream of records of Linux.

    Raises
    ------
    UserError
        If it cannot be read or understood.
    """
    if not is_stream(path):
        return ScriptedPedal.from_file(path).events
    pedals = settings.pedals
    start_s = None if start is None else start.timestamp()
    return stream_events(path, pedals.bindings, start_s=start_s, timing=pedals.timing)


@contextmanager
def listening(
    folder: Path,
    settings: Settings,
    book: Phrasebook,
    *,
    typed_only: bool = False,
    plan: Patient | None = None,
    report: Callable[[Outcome, Utterance | None], None],
    show: Callable[[str], None],
    on_sounding: Callable[[Sounding], None] | None = None,
) -> Iterator[Listening]:
    """Open everything a live case needs; on leaving, write tables and narrative and close it all.

    Parameters
    ----------
    folder : Path
        Case folder; a case in it is continued.
    settings : Settings
    book : Phrasebook
    typed_only : bool
        Do without microphone and recogniser.
    plan : Patient or None
        What is known of the patient before the case.
    report, show, on_sounding : callable
        See `Listening` and `LoudspeakerVoice`.

    Raises
    ------
    UserError
        If the case cannot be written, or the microphone or recogniser cannot be opened.
    """
    settings = in_language_of(book, settings)
    with ExitStack() as stack:
        journal = Journal.open(folder)
        stack.callback(_close, journal, show)
        for torn in journal.torn:
            show(f"The last line of the journal was cut off; what was left of it is kept in {torn}.")
        recogniser = None if typed_only else make_recogniser(settings, book)
        if recogniser is not None:
            stack.callback(recogniser.close)
        microphone = None if typed_only else Microphone(settings.hearing.microphone)
        if microphone is not None:
            stack.callback(microphone.close)
            if settings.hearing.open_room and not neural_runs():
                show(WITHOUT_NEURAL)
        display = _open_display(settings, book, folder, lambda line: room.type(line), show)
        if display is not None:
            stack.callback(display.close)
            report, show = _shown_too(display, report, show)
        voice = PoliteVoice(
            make_voice(settings, show=show, on_sounding=on_sounding, prepared=Phrasing(book).fixed()),
            show=show,
        )
        stack.callback(voice.close)
        loop = Loop(
            book,
            journal,
            SystemClock(),
            voice,
            limits=load_limits(grammars_folder(settings)),
            recogniser="none" if recogniser is None else recogniser.name,
            program_version=__version__,
            attention=attention_of(settings),
            show=show,
            keep_dictation_sound=settings.hearing.keep_dictation_sound,
            keep_unheard_sound=settings.hearing.keep_unheard_sound,
            verbosity=settings.speaking.verbosity,
            on_entry=display.keeper.entry if display is not None else lambda entry: None,
            bailout=make_bailout(settings, book, show),
        )
        stack.callback(
            lambda: write_case_files(folder, loop.case, loop.phrasing, settings.reporting.narrative)
        )
        stack.callback(loop.finish)
        if plan is not None:
            loop.plan(plan)
        room = Listening(
            loop,
            voice,
            folder,
            recogniser=recogniser,
            microphone=microphone,
            open_room=settings.hearing.open_room,
            hold_off_s=settings.speaking.hold_off_s,
            interruption=_interruption(settings, microphone),
            report=report,
            show=show,
        )
        if display is not None:
            display.follow(room)
            display.start(loop.case.entries)
        if settings.pedals.use:
            stack.callback(make_pedal(settings, room.press, room.notice).close)
        # a million objects of phrasebook and rules stay to the end: looking through them again and again holds
        # up every thread, and so seldom that what is really left over would pile up meanwhile
        gc.collect()
        gc.freeze()
        stack.callback(gc.unfreeze)
        yield room


def _interruption(settings: Settings, microphone: Microphone | None) -> Interruption | None:
    """Return what listens for speech over the voice, where that is meant for the program."""
    # without the network that tells voices from noise, any loud noise would silence the voice
    wanted = settings.speaking.stops_for_speech and settings.hearing.open_room
    return Interruption() if microphone is not None and wanted and neural_runs() else None


def _open_display(
    settings: Settings,
    book: Phrasebook,
    folder: Path,
    typed: Callable[[str], None],
    show: Callable[[str], None],
) -> Display | None:
    """Open the pages if they are wanted; where they cannot be had, the case is kept without them."""
    if not settings.display.use:
        return None
    try:
        return open_display(settings, book, folder, typed=typed, show=show)
    except UserError as error:
        show(f"{str(error).rstrip('.')}; recording goes on without the display")
        return None


def _shown_too(
    display: Display, report: Callable[[Outcome, Utterance | None], None], show: Callable[[str], None]
) -> tuple[Callable[[Outcome, Utterance | None], None], Callable[[str], None]]:
    """Return `report` and `show` that hand on to the display too."""

    def also_report(outcome: Outcome, utterance: Utterance | None) -> None:
        display.keeper.told(outcome)
        report(outcome, utterance)

    def also_show(line: str) -> None:
        display.keeper.notice(line)
        show(line)

    return also_report, also_show


def _close(journal: Journal, show: Callable[[str], None]) -> None:
    """Close the journal; what its own disk did not take goes to a folder that does."""
    trouble = journal.close()
    if trouble is None:
        return
    show(trouble)
    # at home first: what lies in the folder for temporary files may be gone after a restart
    for place in (Path.home, lambda: None):
        rescue: Path | None = None
        try:
            rescue = Path(tempfile.mkdtemp(prefix="checkback-rescued-", dir=place()))
            journal.copy_to(rescue)
        except (OSError, UserError, RuntimeError):
            if rescue is not None:
                shutil.rmtree(rescue, ignore_errors=True)
            continue
        show(f"the whole journal was copied to {rescue}; move it to a safe place")
        return
    show("no other folder could be written either: copy the entries from the screen by hand now")


def write_case_files(folder: Path, case: Case, phrasing: Phrasing, template: Path | None = None) -> None:
    """Write tables and the draft narrative beside the journal; `template` is that of a laboratory.

    Raises
    ------
    UserError
        If the folder cannot be written, or the template cannot be used.
    """
    try:
        write_tables(case.entries, folder, standing=case.standing, summary=phrasing.summary)
        signed = paperwork.signed(folder, case)
        text = narrative(case, phrasing, signed=signed, template=template or TEMPLATE)
        (folder / NARRATIVE).write_text(text, encoding="utf-8")
    except OSError as error:
        raise UserError(
            f"tables and narrative cannot be written to {folder} ({error.strerror}); the journal is not touched: "
            "make room or rights there, then run: checkback show --write CASE"
        ) from None


# --- replay --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Heard:
    """One utterance of a replay with what became of it."""

    utterance: Utterance | None
    outcome: Outcome


def replay(
    recording: Recording,
    folder: Path,
    settings: Settings,
    book: Phrasebook,
    recogniser: Recogniser,
    *,
    start: datetime,
    pedal: Iterable[PedalEvent] = (),
    plan: Patient | None = None,
    sound: bool = True,
    report: Callable[[Heard], None],
    show: Callable[[str], None],
) -> Loop:
    """Run a recording through the loop, as fast as it goes, into a case folder.

    Parameters
    ----------
    recording : Recording
    folder : Path
        Case folder; is made if it is missing.
    settings : Settings
    book : Phrasebook
    recogniser : Recogniser
    start : datetime
        Wall time of the recording's first sample, with its offset.
    pedal : iterable of PedalEvent
        Presses, with times in seconds of the recording.
    plan : Patient or None
        What is known of the patient before the case.
    sound : bool
        Whether the check-backs are synthesised into a sound file too.
    report : callable
        Is given each utterance with its outcome.
    show : callable
        Is given lines that need attention.

    Returns
    -------
    Loop
        With the case as it stands at the end.

    Raises
    ------
    UserError
        If the case cannot be written, or the recording breaks off; what came before is recorded.
    """
    clock = HandClock(start)
    settings = in_language_of(book, settings)
    journal = Journal.open(folder)
    loop: Loop | None = None
    broken_off: UserError | None = None
    try:
        with _ReplayVoice(folder, settings, clock, sound=sound, show=show) as voice:
            loop = Loop(
                book,
                journal,
                clock,
                voice,
                limits=load_limits(grammars_folder(settings)),
                recogniser=recogniser.name,
                program_version=__version__,
                attention=attention_of(settings),
                show=show,
                keep_dictation_sound=settings.hearing.keep_dictation_sound,
                verbosity=settings.speaking.verbosity,
                bailout=make_bailout(settings, book, show),
            )
            if plan is not None:
                loop.plan(plan)
            segmenter = Segmenter()
            presses = sorted(pedal, key=lambda event: event.at_s)

            def hear(utterances: list[Utterance], now_s: float) -> None:
                for utterance in utterances:
                    if not settings.hearing.open_room and not utterance.held:
                        continue
                    heard = recogniser.hear(
                        replace(
                            utterance,
                            expected=loop.expected,
                            dictated=loop.dictating,
                            called=loop.called(utterance.started_s),
                        )
                    )
                    clock.set(now_s)
                    report(Heard(utterance, loop.heard(heard)))

            end_s = next_tick_s = 0.0
            try:
                for block, start_s in recording.blocks():
                    while presses and presses[0].at_s <= start_s:
                        event = presses.pop(0)
                        clock.set(event.at_s)
                        if event.action == "talk":
                            if event.pressed:
                                segmenter.press()
                            else:
                                hear(segmenter.release(), event.at_s)
                        elif event.pressed:
                            report(Heard(None, loop.pressed(event.action, event.at_s)))
                    end_s = start_s + BLOCK_S
                    hear(segmenter.feed(block, start_s), end_s)
                    if end_s >= next_tick_s:
                        clock.set(end_s)
                        loop.tick()
                        next_tick_s = end_s + TICK_S
            except UserError as error:
                # what came before the place is recorded like any other case
                broken_off = error
            hear(segmenter.flush(), end_s)
            clock.set(end_s)
            loop.tick()
            loop.finish()
    finally:
        _close(journal, show)
        if loop is not None:
            write_case_files(folder, loop.case, loop.phrasing, settings.reporting.narrative)
    if broken_off is not None:
        raise broken_off
    return loop


class _ReplayVoice:
    """The voice of a replay: check-backs as text, and as a sound file on the recording's time line."""

    name = "file"

    def __init__(
        self, folder: Path, settings: Settings, clock: HandClock, *, sound: bool, show: Callable[[str], None]
    ) -> None:
        self._folder = folder
        self._clock = clock
        self._lines: list[str] = []
        self._voice: Voice | None = None
        if sound:
            try:
                synthesiser = make_synthesiser(settings)
            except UserError as error:
                show(f"{error} Check-backs are written as text only.")
            else:
                self._voice = FileVoice(
                    folder / CHECKBACKS_SOUND,
                    synthesiser,
                    lambda: clock.now().monotonic_s,
                    on_failure=lambda text, why: show(f"not spoken: {text} ({why})"),
                )

    def __enter__(self) -> _ReplayVoice:
        return self

    def __exit__(self, *_: Any) -> None:
        self.close()

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Note the sentence with its time."""
        if text:
            self._lines.append(f"{self._clock.now().wall:%H:%M:%S}  {text}\n")
        if self._voice is not None:
            self._voice.say(text, urgency, tone)

    def stop(self) -> tuple[Sentence, ...]:
        """Fall silent."""
        return self._voice.stop() if self._voice is not None else ()

    @property
    def speaking(self) -> bool:
        """Whether a sentence is being said at this time of the recording."""
        return self._voice is not None and self._voice.speaking

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Write text and sound."""
        with (self._folder / CHECKBACKS).open("a", encoding="utf-8") as file:
            file.writelines(self._lines)
        self._lines.clear()
        if self._voice is not None:
            self._voice.close(timeout_s=timeout_s)
            self._voice = None


# --- reading a case --------------------------------------------------------------------------------


def holds_case(folder: Path) -> bool:
    """Whether a folder has a journal with something in it, or one that cannot be looked at."""
    path = folder / JOURNAL
    try:
        return path.stat().st_size > 0
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True


def read_case(folder: Path, *, despite_breaks: bool = False) -> tuple[Case, list[str]]:
    """Fold a case folder's journal; also return what is to be said about it.

    Raises
    ------
    UserError
        If there is no journal, or its chain is broken and that was not accepted.
    """
    try:
        entries = Journal.read(folder, despite_breaks=despite_breaks)
    except UserError:
        found = verify(folder).first_break
        if found is None or found.line is None or found.kind == "schema":
            raise
        raise UserError(
            f"The journal in {folder} is broken, {found}: show what can be read with --despite-breaks, and "
            "do not take it for the whole record."
        ) from None
    notes = [f"The journal in {folder} is broken: {found}." for found in entries.breaks]
    if entries.torn is not None:
        notes.append(entries.torn)
    return Case(entries), notes


def entry_row(case: Case, entry: Entry, phrasing: Phrasing) -> tuple[str, str, str, str, str]:
    """Return an entry as (number, time, standing, summary, words) for a table."""
    standing, by = case.standing(entry)
    shown = standing if by is None else f"{standing} by {by}"
    return (
        str(entry.n),
        f"{entry.at.wall:%H:%M:%S}",
        "" if shown == "stands" else shown,
        phrasing.summary(entry),
        entry.words,
    )
