"""The voice that is heard in the room."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from checkback.errors import UserError
from checkback.speaking import tones
from checkback.speaking.pipes import Child, Message
from checkback.speaking.sound import Sound
from checkback.speaking.synthesis import OnFailure, Synthesiser, SynthesisError
from checkback.speaking.voice import Sentence, Tone, Urgency
from checkback.speaking.waiting import Queue, Waiting

FIRST_RETRY_S, LONGEST_RETRY_S = 0.25, 5.0
_START_LIMIT_S = 15.0
_END_LIMIT_S = 1.0
# Beyond the length of a sentence; the player notices a dead sound card after 1.5 s by itself.
_PLAY_LIMIT_S = 4.0
# A sentence that is cut goes on for so long at least: what the sound card holds already is heard.
_CUT_AHEAD_S = 0.12
# So near its end a sentence is not cut, and it is cut so often at most.
_NEARLY_SAID_S = 0.5
_MOST_CUTS = 2


@dataclass(frozen=True, slots=True)
class Sounding:
    """A sentence begins to be heard.

    Attributes
    ----------
    text : str
        The sentence.
    said_s, sounding_s : float
        When `say` was called, and when its first sample leaves the loudspeaker as far as the sound
        card tells; seconds of `time.monotonic`.
    """

    text: str
    said_s: float
    sounding_s: float


class _LostError(Exception):
    """The loudspeaker went away, or is not there."""


class LoudspeakerVoice:
    """Says sentences through a sound card, which `checkback.speaking.player` holds open.

    A sound card that goes away is opened again: first after 0.25 s, later every 5 s.  The sentence
    that was cut off is said once more.  A sentence that cannot be said within `patience_s` of the
    loss is given to `on_failure`, and so is each one after it until the sound card is back.

    The most urgent sentence goes first.  A critical one does not wait: what is being said is cut
    where the next word begins, and said again afterwards.  Few sentences wait; those that had to be
    dropped for newer ones, and check-backs that nobody waits for any more, are given to `on_failure`.

    Parameters
    ----------
    synthesiser : Synthesiser
        Is closed together with the voice.
    device : str or None
        Name of the sound card, or a part of it that no other has; None takes the system's choice.
    on_failure : callable or None
        Is given each sentence that was not spoken, and why, so that it can be shown instead.
    on_sounding : callable or None
        Is given a `Sounding` for each sentence that begins to be heard.
    patience_s : float
        How long a sentence waits for a lost sound card.
    tone_volume : float
        Of the tones, 0 to 1; the synthesiser has its own.

    Both callables are called in the voice's own thread and must not raise.

    Raises
    ------
    UserError
        If there is no PortAudio, no sound card, or none of that name.
    """

    name = "loudspeaker"

    def __init__(
        self,
        synthesiser: Synthesiser,
        *,
        device: str | None = None,
        on_failure: OnFailure | None = None,
        on_sounding: Callable[[Sounding], None] | None = None,
        patience_s: float = 3.0,
        tone_volume: float = 1.0,
    ) -> None:
        self._synthesiser = synthesiser
        self._device = device
        self._on_failure = on_failure
        self._on_sounding = on_sounding
        self._patience_s = patience_s
        self._tone_volume = tone_volume

        # The state below belongs to whoever holds the condition.
        self._changed = threading.Condition()
        self._queue = Queue()
        self._to_prepare: deque[str] = deque()
        self._current: Waiting | None = None
        self._next_number = 0
        self._silenced = 0  # sentences below this number are not to be said any more
        self._closing = False
        self._messages: deque[Message | None] = deque()

        # The player belongs to the worker, once it runs.
        self._player: Child | None = None
        self._rate_hz = 0
        self._lost_s: float | None = None
        self._retry_s = 0.0
        self._retry_after_s = FIRST_RETRY_S
        try:
            self._start_player()
        except _LostError as error:
            raise UserError(str(error)) from error
        self._worker = threading.Thread(target=self._work, name="loudspeaker", daemon=True)
        self._worker.start()

    @property
    def speaking(self) -> bool:
        """True from the moment a sentence is queued until its last sample has left the loudspeaker.

        False while the sound card is gone: nothing is heard, so nobody has to be deaf for it.
        """
        with self._changed:
            return self._lost_s is None and (self._current is not None or len(self._queue) > 0)

    @property
    def lost(self) -> bool:
        """True while the sound card is gone, so that nothing is heard."""
        return self._lost_s is not None

    @property
    def player_pid(self) -> int | None:
        """Process number of the player, None while there is none."""
        player = self._player
        return player.pid if player else None

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Queue `text`, with `tone` before it; returns at once."""
        dropped = []
        with self._changed:
            closing = self._closing
            if not closing:
                new = Waiting(Sentence(text, urgency, tone), time.monotonic(), self._next_number)
                dropped = self._queue.push(new)
                self._next_number += 1
                self._changed.notify_all()
        if closing:
            self._report(text, "the voice is closed")
        for each in dropped:
            self._report(each.sentence.text, "newer sentences wait")

    def prepare(self, phrases: Iterable[str]) -> None:
        """Let sentences be synthesised while nothing is to be said; returns at once."""
        with self._changed:
            self._to_prepare.extend(phrases)
            self._changed.notify_all()

    def stop(self) -> tuple[Sentence, ...]:
        """Fall silent now and drop what is queued; returns at once."""
        with self._changed:
            return self._silence()

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Finish what is queued, at most `timeout_s`, then end the player and the synthesiser.

        What was not said to its end by then is given to `on_failure`.
        """
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._worker.join(timeout_s)
        with self._changed:
            unsaid = self._silence()
        self._worker.join(_END_LIMIT_S)
        for sentence in unsaid:
            self._report(sentence.text, "the program ended before it was said")
        self._synthesiser.close()

    def _silence(self) -> tuple[Sentence, ...]:
        current = [] if self._current is None or self._is_silenced(self._current) else [self._current]
        unsaid = [*current, *self._queue.clear()]
        self._silenced = self._next_number
        self._changed.notify_all()
        # a sentence that is just being cut waits already to be said again
        return tuple(dict.fromkeys(each.sentence for each in unsaid))

    # --- the worker -----------------------------------------------------------------------------

    def _work(self) -> None:
        while (turn := self._next()) is not None:
            try:
                self._speak(turn)
            except (SynthesisError, _LostError) as error:
                if not self._is_silenced(turn):
                    self._report(turn.sentence.text, str(error))
            finally:
                with self._changed:
                    self._current = None
        self._end_player()

    def _next(self) -> Waiting | None:
        """Wait for a sentence and look after the player meanwhile; None at the end."""
        while True:
            with self._changed:
                idle = not len(self._queue) and not self._closing and not self._messages
                if idle and not (self._to_prepare and self._player is not None):
                    self._changed.wait(FIRST_RETRY_S)
                stale = self._queue.drop_stale(time.monotonic())
                self._current = turn = self._queue.pop()
                ended = turn is None and self._closing
                gone = turn is None and None in self._messages
                if turn is None:
                    self._messages.clear()
            for each in stale:
                self._report(each.sentence.text, "it came too late")
            if turn is not None or ended:
                return turn
            if gone:
                self._lose()
            elif self._player is None:
                self._try_again()
            else:
                self._prepare_one()

    def _prepare_one(self) -> None:
        with self._changed:
            phrase = self._to_prepare.popleft() if self._to_prepare else None
        if phrase is not None:
            # what fails now fails again, and is told, when it is to be said
            with contextlib.suppress(SynthesisError):
                self._synthesiser.prepare([phrase])

    def _speak(self, turn: Waiting) -> None:
        sound = self._sound_of(turn.sentence)
        for _ in range(2):
            self._wait_for_player(turn)
            if self._is_silenced(turn):
                return
            if self._play(turn, sound.at_rate(self._rate_hz)):
                return
        raise _LostError("the loudspeaker swallowed it twice")

    def _sound_of(self, sentence: Sentence) -> Sound:
        if not sentence.text:
            return tones.tone(sentence.tone or "attention", self._tone_volume)
        words = self._synthesiser.synthesise(sentence.text)
        return words if sentence.tone is None else words.after(tones.tone(sentence.tone, self._tone_volume))

    def _wait_for_player(self, turn: Waiting) -> None:
        """Wait until there is a player, or until the sentence is silenced.

        Raises
        ------
        _LostError
            If the sound card was lost too long ago.
        """
        while self._player is None and not self._is_silenced(turn):
            self._try_again()
            if self._player is None:
                with self._changed:
                    assert self._lost_s is not None
                    if self._closing or time.monotonic() > self._lost_s + self._patience_s:
                        raise _LostError("the loudspeaker is gone")
                    self._changed.wait(0.05)

    def _play(self, turn: Waiting, sound: Sound) -> bool:
        """Play to the end or until it gives way; False if it was not heard to its end."""
        assert self._player is not None
        pcm = sound.pcm.tobytes()
        self._player.send({"play": turn.number}, pcm)
        deadline_s = time.monotonic() + sound.duration_s + _PLAY_LIMIT_S
        begins_s: float | None = None
        cut = False
        while True:
            with self._changed:
                while (
                    not self._messages and not self._is_silenced(turn) and (cut or not self._outranked(turn))
                ):
                    if not self._changed.wait(deadline_s - time.monotonic()):
                        break
                silenced = self._silenced
                message = self._messages.popleft() if self._messages else None
                outranked = not cut and self._outranked(turn)
            if turn.number < silenced:
                self._player.send({"stop": silenced})
                return True
            if message is None and outranked:
                cut = True
                self._cut(turn, sound, begins_s)
                continue
            if message is None:
                # The player is gone, or hangs.
                self._lose()
                return False
            header = message[0]
            if header["play"] != turn.number:
                continue
            if "ended" in header:
                return bool(header["ended"])
            begins_s = header["begins_s"]
            if self._on_sounding is not None:
                self._on_sounding(Sounding(turn.sentence.text, turn.said_s, header["begins_s"]))

    def _cut(self, turn: Waiting, sound: Sound, begins_s: float | None) -> None:
        """Let a sentence end where its next word begins, and say it again later."""
        assert self._player is not None
        heard_s = 0.0 if begins_s is None else time.monotonic() - begins_s
        sample = sound.boundary_after(max(0, round((heard_s + _CUT_AHEAD_S) * self._rate_hz)))
        if len(sound.pcm) - sample < _NEARLY_SAID_S * self._rate_hz:
            return
        self._player.send({"cut": turn.number, "sample": sample})
        with self._changed:
            again = replace(turn, number=self._next_number, cuts=turn.cuts + 1)
            self._next_number += 1
            self._queue.push_back(again)

    def _outranked(self, turn: Waiting) -> bool:
        """Whether a critical sentence waits that this one may be cut for."""
        return (
            turn.sentence.urgency < Urgency.CRITICAL
            and turn.cuts < _MOST_CUTS
            and self._queue.urgency is Urgency.CRITICAL
        )

    def _is_silenced(self, turn: Waiting) -> bool:
        with self._changed:
            return turn.number < self._silenced

    def _try_again(self) -> None:
        """Start the player again if it is time to."""
        if time.monotonic() < self._retry_s:
            return
        try:
            self._start_player()
        except _LostError:
            self._retry_after_s = min(2 * self._retry_after_s, LONGEST_RETRY_S)
            self._lose()
        else:
            self._lost_s = None
            self._retry_after_s = FIRST_RETRY_S

    def _lose(self) -> None:
        self._end_player()
        now_s = time.monotonic()
        if self._lost_s is None:
            self._lost_s = now_s
        self._retry_s = now_s + self._retry_after_s

    def _start_player(self) -> None:
        with self._changed:
            self._messages.clear()
        try:
            player = Child("checkback.speaking.player", {"device": self._device}, self._take)
        except OSError as error:
            raise _LostError(f"The loudspeaker cannot be used ({error}): choose the text voice.") from error
        with self._changed:
            self._changed.wait_for(lambda: bool(self._messages), _START_LIMIT_S)
            message = self._messages.popleft() if self._messages else None
        header: dict[str, Any] = message[0] if message else {}
        if "rate_hz" not in header:
            complaint = player.last_complaint()
            self._end(player)
            raise _LostError(
                header.get("error")
                or f"The loudspeaker's process ended{complaint}: choose another, or the text voice."
            )
        self._player, self._rate_hz = player, header["rate_hz"]

    def _end_player(self) -> None:
        player, self._player = self._player, None
        if player is not None:
            self._end(player)

    def _end(self, player: Child) -> None:
        player.end()
        with self._changed:
            self._messages.clear()

    def _take(self, message: Message | None) -> None:
        with self._changed:
            self._messages.append(message)
            self._changed.notify_all()

    def _report(self, text: str, why: str) -> None:
        if self._on_failure is not None and text:
            self._on_failure(text, why)
