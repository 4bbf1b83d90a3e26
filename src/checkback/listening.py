"""The live room: microphone, pedal and keyboard come in at once, one thread owns the case.

Threads: one reads the microphone and cuts utterances, one decodes them, one reads typed lines; all
they do is put events into a queue.  `Listening.run` takes the events one by one and is the only
caller of the loop.
"""

from __future__ import annotations

import math
import queue
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, TextIO

from checkback.aloud import not_spoken
from checkback.call_outs import Outcome
from checkback.hearing.backlog import Backlog
from checkback.hearing.endpointing import Segmenter
from checkback.hearing.interruption import Interruption
from checkback.hearing.level import FLOOR_DBFS, Meter, Notice
from checkback.hearing.microphone import FIRST_BLOCK_S, Microphone
from checkback.hearing.pedals.events import PedalEvent, PedalNotice
from checkback.hearing.recogniser import Heard, Pcm, Recogniser, Utterance
from checkback.loop import Loop
from checkback.speaking.polite import PoliteVoice
from checkback.speaking.voice import Sentence, Urgency

TICK_S = 0.5
"""How often disk and clocks are looked after."""

NO_BLOCK_S = 1.5
"""Without a block for so long the room is told, also if the microphone's own thread hangs in a driver."""

FOLLOWED_BLOCKS = 4
"""While somebody speaks, the listeners are given what is known so far with every so manieth block: 0.12 s."""

BEHIND_S = 20.0
"""Speech that ended so long ago and is not decoded yet is told: nobody waits for its check-back any more."""

CAUGHT_UP_S = 2.0
"""With no more than this hearing keeps up again."""

ERRORS = "errors.log"


@dataclass(frozen=True)
class Typed:
    """A line that was typed."""

    text: str


@dataclass(frozen=True)
class HearingChanged:
    """The microphone was lost, or is back."""

    hearing: bool


@dataclass(frozen=True)
class Noticed:
    """The microphone gives nothing but zeros, or is too loud."""

    notice: Notice


@dataclass(frozen=True)
class KeepsUp:
    """Decoding falls behind, or has caught up."""

    keeps_up: bool


@dataclass(frozen=True)
class DisplayFault:
    """The display does not show the case any more."""


@dataclass(frozen=True)
class Unspoken:
    """Sentences were silenced, and are not said again."""

    sentences: tuple[Sentence, ...]
    why: str


WhyDeaf = Literal["", "no microphone", "lost", "silent", "speaking", "pedal"]


@dataclass(frozen=True, slots=True)
class RoomState:
    """How the room is, for a glance.

    Attributes
    ----------
    hearing : bool
        Whether a call-out that begins now would be heard.
    why_deaf : str
        Why not: there is no microphone, it is lost, it gives nothing but zeros, the voice is
        speaking (or has just spoken), or it hears only while the talk pedal is held.  Empty if it hears.
    in_speech : bool
        Whether somebody is speaking to it.
    held : bool
        Whether the talk pedal is held.
    speaking : bool
        Whether the voice is heard.
    level_dbfs : float
        Level at the microphone, dB of full scale; -100 for silence.
    clipping : bool
        Whether the microphone was too loud within the last minute.
    behind : bool
        Whether speech waits too long to be decoded.
    overflows, reconnections : int
        How often sound was lost because the computer was too busy, and how often the microphone came
        back.
    """

    hearing: bool
    why_deaf: WhyDeaf
    in_speech: bool = False
    held: bool = False
    speaking: bool = False
    level_dbfs: float = FLOOR_DBFS
    clipping: bool = False
    behind: bool = False
    overflows: int = 0
    reconnections: int = 0


@dataclass(frozen=True)
class Stopped:
    """Time to end."""


Event = (
    Heard
    | PedalEvent
    | PedalNotice
    | Typed
    | HearingChanged
    | KeepsUp
    | Noticed
    | Unspoken
    | DisplayFault
    | Stopped
)


class Listening:
    """Runs the loop in a live room until it is told to stop.

    Parameters
    ----------
    loop : Loop
    voice : PoliteVoice
    folder : Path
        Case folder; what went wrong inside the program is noted there.
    recogniser, microphone : Recogniser and Microphone, or None
        None: typed call-outs and pedals only.
    open_room : bool
        Take utterances with no pedal held.
    hold_off_s : float
        How long to stay deaf after the voice fell silent, s.
    interruption : Interruption or None
        Tells whether somebody speaks over the voice, which then falls silent; None: only a press stops it.
    report : callable
        Is given each outcome, and the utterance if there was one.
    show : callable
        Is given lines that need attention.
    """

    def __init__(
        self,
        loop: Loop,
        voice: PoliteVoice,
        folder: Path,
        *,
        recogniser: Recogniser | None,
        microphone: Microphone | None,
        open_room: bool,
        hold_off_s: float,
        interruption: Interruption | None = None,
        report: Callable[[Outcome, Utterance | None], None],
        show: Callable[[str], None],
    ) -> None:
        self._loop = loop
        self._voice = voice
        voice.recall = loop.recall
        self._folder = folder
        self._recogniser = recogniser
        self._microphone = microphone
        self._open_room = open_room
        self._hold_off_s = hold_off_s
        self._interruption = interruption
        self._report = report
        self._show = show
        # a signal handler may put into it while the main thread is taking from it
        self._events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._backlog = Backlog()
        self._keeps_up = True
        self._talk: queue.Queue[bool] = queue.Queue()
        self._tick_failed = False
        self._stopping = False
        self._told_hearing = True
        self._last_block_s = math.inf
        self._blocks = 0
        self._state = RoomState(hearing=False, why_deaf="no microphone" if microphone is None else "lost")
        #: When the owner of the case moved last, on the monotonic clock.
        self.ticked_s = time.monotonic()

    @property
    def voice(self) -> str:
        """Name of the voice."""
        return self._voice.name

    @property
    def room_state(self) -> RoomState:
        """How the room is now; for any thread."""
        state = replace(self._state, speaking=self._voice.speaking, behind=not self._keeps_up)
        if self._microphone is not None and time.monotonic() - self._last_block_s > NO_BLOCK_S:
            # also if the thread that looks after it hangs
            return replace(state, hearing=False, why_deaf="lost", in_speech=False, level_dbfs=FLOOR_DBFS)
        return state

    @property
    def disk_trouble(self) -> bool:
        """As `Loop.disk_trouble`."""
        return self._loop.disk_trouble

    @property
    def question(self) -> int | None:
        """As `Loop.question`."""
        return self._loop.question

    # --- what other threads call ----------------------------------------------------------------

    def press(self, event: PedalEvent) -> None:
        """Take a press or release of a pedal; may be called from any thread."""
        if event.action == "talk":
            if event.pressed:
                # whoever presses wants to speak: the voice gives way
                self._events.put(Unspoken(self._voice.stop(), "talk was pressed"))
            self._talk.put(event.pressed)
        elif event.pressed:
            self._events.put(event)

    def notice(self, notice: PedalNotice) -> None:
        """Take notice of what became of the pedal; may be called from any thread."""
        self._events.put(notice)

    def display_fault(self) -> None:
        """Say that the display does not show the case any more; may be called from any thread."""
        self._events.put(DisplayFault())

    def type(self, text: str) -> None:
        """Take a typed line; may be called from any thread."""
        if text.strip():
            self._events.put(Typed(text))

    def stop(self) -> None:
        """End `run` once what was said so far is recorded; for any thread or signal handler."""
        self._stopping = True
        if self._microphone is None:
            self._events.put(Stopped())

    # --- the threads ----------------------------------------------------------------------------

    def run(self) -> None:
        """Take events until `stop`; then finish what was said and return."""
        threads = []
        if self._microphone is not None and self._recogniser is not None:
            threads = [
                threading.Thread(target=self._cut_utterances, name="cutting", daemon=True),
                threading.Thread(target=self._decode, name="decoding", daemon=True),
            ]
        for thread in threads:
            self._last_block_s = time.monotonic() + FIRST_BLOCK_S
            thread.start()
        while True:
            try:
                event = self._events.get(timeout=TICK_S)
            except queue.Empty:
                self._tick()
                continue
            if isinstance(event, Stopped):
                break
            self._guarded(event)
            self._tick()
        for thread in threads:
            thread.join(timeout=5.0)

    def _cut_utterances(self) -> None:
        assert self._microphone is not None
        segmenter = Segmenter()
        meter = Meter()
        hearing = muted = False
        lost = 0
        try:
            while not self._stopping:
                self._follow_talk(segmenter)
                taken = self._microphone.read()
                if hearing and not self._microphone.hearing:
                    self._last_block_s = -math.inf
                    self._pass_on(segmenter.flush())
                    meter.lost()
                    self._events.put(HearingChanged(False))
                hearing = self._microphone.hearing
                if self._voice.speaking != muted:
                    muted = not muted
                    self._follow_voice(muted, in_speech=segmenter.in_speech)
                    if muted:
                        self._pass_on(segmenter.mute())
                    else:
                        segmenter.unmute(time.monotonic(), self._hold_off_s)
                if self._microphone.overflows > lost:
                    lost = self._microphone.overflows
                    self._show(f"sound was lost {lost} times: this computer is too busy, end other programs")
                self._voice.follow(segmenter.in_speech, time.monotonic(), held=segmenter.held)
                if taken is not None:
                    self._last_block_s = time.monotonic()
                    self._listen_over_voice(taken[0], segmenter, muted=muted)
                    if (notice := meter.feed(*taken, own_voice=muted and not segmenter.held)) is not None:
                        self._events.put(Noticed(notice))
                    self._pass_on(segmenter.feed(*taken))
                    self._begin(segmenter)
                self._state = self._look(segmenter, meter, muted=muted)
            self._pass_on(segmenter.flush())
        except Exception:
            self._note_failure("the microphone's thread ended")
        finally:
            self._voice.let_go()
            self._backlog.end()

    def _follow_voice(self, speaking: bool, *, in_speech: bool) -> None:
        if self._interruption is None:
            return
        try:
            if speaking:
                self._interruption.begin(in_speech=in_speech)
            else:
                self._interruption.end()
        except Exception:
            self._do_without_interruption()

    def _listen_over_voice(self, block: Pcm, segmenter: Segmenter, *, muted: bool) -> None:
        """Let the voice give way if somebody speaks over it."""
        if self._interruption is None or (segmenter.in_speech and not muted):
            return
        try:
            if segmenter.held:
                self._interruption.leave_out()
            stops = self._interruption.feed(block)
        except Exception:
            self._do_without_interruption()
            return
        if stops:
            self._events.put(Unspoken(self._voice.give_way(), "somebody spoke"))

    def _do_without_interruption(self) -> None:
        # it only spares a press: hearing goes on without it
        self._interruption = None
        self._note_failure("speech no longer stops the voice, only a press does")

    def _look(self, segmenter: Segmenter, meter: Meter, *, muted: bool) -> RoomState:
        assert self._microphone is not None
        why: WhyDeaf = ""
        if not self._microphone.hearing:
            why = "lost"
        elif meter.silent:
            why = "silent"
        elif muted and not segmenter.held:
            why = "speaking"
        elif not self._open_room and not segmenter.held:
            why = "pedal"
        return RoomState(
            hearing=not why,
            why_deaf=why,
            in_speech=segmenter.in_speech,
            held=segmenter.held,
            speaking=muted,
            level_dbfs=round(meter.level_dbfs, 1),
            clipping=meter.clipping,
            overflows=self._microphone.overflows,
            reconnections=self._microphone.reconnections,
        )

    def _follow_talk(self, segmenter: Segmenter) -> None:
        with suppress(queue.Empty):
            while True:
                if self._talk.get_nowait():
                    segmenter.press()
                else:
                    self._pass_on(segmenter.release())

    def _pass_on(self, utterances: list[Utterance]) -> None:
        assert self._recogniser is not None
        for utterance in utterances:
            if utterance.held or self._open_room:
                for given_up in self._backlog.put(utterance):
                    # in a note its sound is kept
                    lost = replace(given_up, dictated=self._loop.dictating)
                    self._events.put(Heard(lost, self._recogniser.name, given_up=True))

    def _begin(self, segmenter: Segmenter) -> None:
        """Let the listeners begin on what is being said, or was said if the pause is its end."""
        wanted = (segmenter.held or self._open_room) and not self._loop.dictating
        pending = segmenter.pending
        begin = getattr(self._recogniser, "follow" if pending is None else "prepare", None)
        if begin is None or not wanted:
            return
        self._blocks += 1
        if pending is None and self._blocks % FOLLOWED_BLOCKS:
            return
        said = pending or segmenter.so_far
        if said is not None:
            try:
                begin(self._in_context(said))
            except Exception:
                # it only spares time, and the microphone's thread must not end of it
                self._note_failure("an utterance could not be begun before its end")

    def _in_context(self, utterance: Utterance) -> Utterance:
        return replace(
            utterance,
            expected=self._loop.expected,
            dictated=self._loop.dictating,
            called=self._loop.called(utterance.started_s),
        )

    def _decode(self) -> None:
        assert self._recogniser is not None
        while (utterance := self._backlog.get()) is not None:
            try:
                utterance = self._in_context(utterance)
                self._events.put(self._recogniser.hear(utterance))
            except Exception:
                self._note_failure("an utterance could not be decoded")
                self._events.put(Heard(utterance, self._recogniser.name))
        self._events.put(Stopped())

    # --- the owner of the case ------------------------------------------------------------------

    def _guarded(self, event: Event) -> None:
        """Take one event; a fault in the program costs that event's meaning, never the recording."""
        try:
            outcome = self._take(event)
        except Exception:
            self._note_failure("a call-out could not be handled")
            words = event.text if isinstance(event, Typed) else ""
            if isinstance(event, Heard) and event.hypotheses:
                words = event.hypotheses[0].words
            outcome = self._loop.keep(words)
        if outcome is None:
            return
        try:
            self._report(outcome, event.utterance if isinstance(event, Heard) else None)
        except Exception:
            # it is recorded, and must not be recorded once more because it could not be shown
            self._note_failure("a line could not be shown")

    def _tick(self) -> None:
        """Look after microphone, disk and clocks; a fault there is told once and costs no recording."""
        heard = time.monotonic() - self._last_block_s < NO_BLOCK_S
        if heard != self._told_hearing and self._microphone is not None:
            self._guarded(HearingChanged(heard))
        behind_s = self._backlog.behind_s(time.monotonic())
        if (keeps_up := behind_s < (BEHIND_S if self._keeps_up else CAUGHT_UP_S)) != self._keeps_up:
            self._guarded(KeepsUp(keeps_up))
        try:
            self._loop.tick()
        except Exception:
            if not self._tick_failed:
                self._note_failure("the reminders failed")
            self._tick_failed = True
        self.ticked_s = time.monotonic()

    def _take(self, event: Event) -> Outcome | None:
        if isinstance(event, Heard):
            return self._loop.heard(event)
        if isinstance(event, Typed):
            return self._loop.typed(event.text)
        if isinstance(event, PedalEvent) and event.action != "talk":
            return self._loop.pressed(event.action, event.at_s)
        if isinstance(event, PedalNotice):
            self._show(event.what)
            if event.state != "free":
                urgency = Urgency.CHECK_BACK if event.state == "back" else Urgency.CRITICAL
                self._loop.say(f"pedal_{event.state}", urgency)
        if isinstance(event, HearingChanged):
            if event.hearing == self._told_hearing:
                return None
            self._told_hearing = event.hearing
            key = "hearing_again" if event.hearing else "deaf"
            self._show(self._loop.phrasing.reply(key))
            self._loop.say(key, Urgency.CHECK_BACK if event.hearing else Urgency.CRITICAL)
        if isinstance(event, DisplayFault):
            self._loop.say("display_fault", Urgency.REMINDER)
        if isinstance(event, Unspoken) and (texts := [s.text for s in event.sentences if s.text]):
            # on one line: the wall has room for one
            self._show(not_spoken(texts, event.why))
        if isinstance(event, KeepsUp):
            self._keeps_up = event.keeps_up
            key = "caught_up" if event.keeps_up else "behind"
            self._show(self._loop.phrasing.reply(key))
            self._loop.say(key, Urgency.CHECK_BACK if event.keeps_up else Urgency.CRITICAL)
        if isinstance(event, Noticed):
            self._show(self._loop.phrasing.reply(event.notice))
            self._loop.say(
                event.notice, Urgency.CRITICAL if event.notice == "microphone_silent" else Urgency.REMINDER
            )
        return None

    def _note_failure(self, what: str) -> None:
        self._show(f"{what}; details are in {self._folder / ERRORS}, recording goes on")
        with suppress(OSError), (self._folder / ERRORS).open("a", encoding="utf-8") as file:
            file.write(f"{what}\n{traceback.format_exc()}\n")


def read_lines(stream: TextIO, listening: Listening) -> threading.Thread:
    """Hand typed lines on, in a thread of their own; the end of the stream ends nothing."""

    def work() -> None:
        # an input that is a folder, or was closed, gives no lines
        with suppress(OSError, ValueError):
            for line in stream:
                listening.type(line)

    thread = threading.Thread(target=work, name="typing", daemon=True)
    thread.start()
    return thread
