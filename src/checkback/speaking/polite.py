"""A voice that gives way to whoever is speaking to the microphone."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress

from checkback.speaking.voice import Sentence, Tone, Urgency, Voice
from checkback.speaking.waiting import Queue, Waiting

PATIENCE_S = 2.0
"""How long the voice waits for somebody to finish speaking; steady noise can sound like speech."""

PATIENCE_HELD_S = 15.0
"""The same while the talk pedal is held, which no noise does; a pedal can be stuck."""

GIVES_WAY_S = 0.5
"""Quiet after `stop`: whoever presses has not begun to speak yet."""


REPEATS_AFTER_S = 2.5
"""A check-back that somebody spoke over is said again after so long a quiet: by then a call-out is answered."""


class PoliteVoice:
    """A voice that does not begin while somebody is speaking to the microphone.

    Parameters
    ----------
    voice : Voice
        The voice that speaks.
    show : callable
        Is given a line for each sentence that is not said because too much waits.

    Notes
    -----
    Critical sentences that were silenced are said once more, when it is quiet again.  So are check-backs that
    somebody spoke over; if another check-back comes first, those that still hold are said in front of it.

    Attributes
    ----------
    recall : callable
        Is given the words of a check-back that was cut off when another one comes, in the thread that says
        that.  It returns the words to say in front of it; the same words if it is still a question, which then
        waits until it is quiet; None if it holds no longer, so that it is shown only.
    """

    def __init__(self, voice: Voice, *, show: Callable[[str], None] = lambda line: None) -> None:
        self.name = voice.name
        self._voice = voice
        self._show = show
        self.recall: Callable[[str], str | None] = lambda text: None
        self._lock = threading.Lock()
        self._waiting = Queue()
        self._count = 0
        self._said_again: set[Sentence] = set()
        self._since_s: float | None = None
        self._quiet_until_s = float("-inf")
        self._followed = False
        self._held: list[Sentence] = []
        self._quiet_since_s: float | None = None

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Say `text` now, or as soon as the speaker has finished."""
        with self._lock:
            now_s = time.monotonic()
            sentence = Sentence(text, urgency, tone)
            if urgency is Urgency.CHECK_BACK:
                for again in self._recall_before(sentence):
                    self._begin(again, now_s)
            # the same words for something new: they were not said again yet
            self._said_again.discard(sentence)
            self._begin(sentence, now_s)

    def follow(self, in_speech: bool, now_s: float, *, held: bool = False) -> None:
        """Note whether somebody is speaking, and whether the talk pedal is held for it."""
        with self._lock:
            self._followed = True
            if not in_speech:
                self._since_s = None
                if not len(self._waiting) and not self._held and not self._voice.speaking:
                    # all of it was heard
                    self._said_again.clear()
                if self._quiet_since_s is None:
                    self._quiet_since_s = now_s
                if now_s >= self._quiet_until_s:
                    self._pass_on()
                if now_s - self._quiet_since_s >= REPEATS_AFTER_S:
                    self._repeat()
                return
            self._quiet_since_s = None
            if self._since_s is None:
                self._since_s = now_s
            if now_s - self._since_s > (PATIENCE_HELD_S if held else PATIENCE_S):
                self._pass_on()

    def let_go(self) -> None:
        """Say what waits; from now on nobody tells whether somebody is speaking."""
        with self._lock:
            self._followed = False
            self._since_s = None
            self._pass_on()
            self._repeat()

    def stop(self) -> tuple[Sentence, ...]:
        """Fall silent and drop what waits, except for what is critical and was not said again yet."""
        with self._lock:
            return self._fall_silent(Urgency.CRITICAL)

    def give_way(self) -> tuple[Sentence, ...]:
        """Fall silent because somebody speaks over it; but what is critical is cut by speech only once.

        Returns
        -------
        tuple of Sentence
            What is not said again: reminders, and check-backs that were said again already.
        """
        with self._lock:
            if any(each.urgency is Urgency.CRITICAL for each in self._said_again):
                # talk goes on in a loud room, and would swallow it for good
                return ()
            return self._fall_silent(Urgency.CHECK_BACK)

    def _fall_silent(self, least: Urgency) -> tuple[Sentence, ...]:
        """Fall silent; what is so urgent is said once more."""
        now_s = time.monotonic()
        unsaid = (*self._voice.stop(), *(each.sentence for each in self._waiting.clear()), *self._held)
        self._held, self._quiet_since_s = [], None
        kept = [each for each in dict.fromkeys(unsaid) if each.urgency >= least]
        kept = [each for each in kept if each not in self._said_again]
        self._said_again = set(kept)
        if self._followed:
            self._quiet_until_s = now_s + GIVES_WAY_S
        for sentence in kept:
            if not self._followed:
                self._voice.say(sentence.text, sentence.urgency, sentence.tone)
            elif sentence.urgency is Urgency.CRITICAL:
                self._wait(sentence, now_s)
            else:
                self._held.append(sentence)
        return tuple(each for each in unsaid if each not in kept)

    @property
    def speaking(self) -> bool:
        """True while the voice is heard."""
        return self._voice.speaking

    def close(self, *, timeout_s: float = 10.0) -> None:
        """Say what waits and close the voice."""
        self.let_go()
        self._voice.close(timeout_s=timeout_s)

    def _begin(self, sentence: Sentence, now_s: float) -> None:
        if not self._followed or (self._since_s is None and now_s >= self._quiet_until_s):
            self._voice.say(sentence.text, sentence.urgency, sentence.tone)
        else:
            self._wait(sentence, now_s)

    def _recall_before(self, newer: Sentence) -> list[Sentence]:
        """Return what is said again before a newer check-back; it is not said a third time."""
        again = []
        held, self._held = self._held, []
        for cut in held:
            if cut == newer:
                continue
            # the newer sentence is said whatever becomes of the older ones
            try:
                words, why = self.recall(cut.text), "something newer is said"
            except Exception as error:
                words, why = None, f"a fault: {error!r}"
            if words == cut.text:
                self._held.append(cut)
            elif words is not None:
                again.append(Sentence(words, cut.urgency))
            elif cut.text:
                with suppress(Exception):
                    self._show(f"not spoken: {cut.text} ({why})")
        self._said_again.update(again)
        return again

    def _wait(self, sentence: Sentence, now_s: float) -> None:
        self._count += 1
        for dropped in self._waiting.push(Waiting(sentence, now_s, self._count)):
            self._show(f"not spoken: {dropped.sentence.text} (newer sentences wait)")

    def _repeat(self) -> None:
        for each in self._held:
            self._voice.say(each.text, each.urgency, each.tone)
        self._held.clear()

    def _pass_on(self) -> None:
        for each in self._waiting.clear():
            self._voice.say(each.sentence.text, each.sentence.urgency, each.sentence.tone)
