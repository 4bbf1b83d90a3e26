"""A recogniser that also takes notes: what is dictated is written down freely."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, FreeText, Heard, Pcm, Recogniser, Utterance

COMMAND_S = 4.0
"""Longer sound is no "end note" by itself, and is not given to the recogniser of call-outs."""


class Writer(Protocol):
    """Writes down what was said, whatever it was."""

    name: str

    def write(self, pcm: Pcm) -> FreeText | None:
        """Return what was said, without words if nothing was; None if it cannot be done now."""
        ...

    def close(self) -> None:
        """Let go of the model and its process."""
        ...


class DictationRecogniser:
    """Hears call-outs as the recogniser that it stands before, and writes down what is dictated.

    Parameters
    ----------
    recogniser : Recogniser
        For all that is not dictated, and for the end of a note, where the writer may miss it.
    writer : Writer or None
        None: there is no model that writes freely, and notes are kept as sound.
    owned : Writer or None
        A writer that nobody else closes.
    """

    def __init__(
        self,
        recogniser: Recogniser,
        *,
        writer: Writer | None,
        owned: Writer | None = None,
    ) -> None:
        self.name = recogniser.name
        self._recogniser = recogniser
        self._writer = writer
        self._owned = owned

    @property
    def inner(self) -> Recogniser:
        """The recogniser of call-outs."""
        return self._recogniser

    def follow(self, so_far: Utterance) -> None:
        """Follow what is being said, unless it is dictated; returns at once."""
        follow = getattr(self._recogniser, "follow", None)
        if follow is not None and not so_far.dictated:
            follow(so_far)

    def prepare(self, utterance: Utterance) -> None:
        """Begin on sound that will probably be the next utterance; returns at once."""
        prepare = getattr(self._recogniser, "prepare", None)
        if prepare is not None and not utterance.dictated:
            prepare(utterance)

    def hear(self, utterance: Utterance) -> Heard:
        """Decode one utterance; see `Recogniser.hear`."""
        if not utterance.dictated:
            return self._recogniser.hear(utterance)
        written = None if self._writer is None else self._writer.write(utterance.pcm)
        heard = Heard(utterance, self.name)
        if len(utterance.pcm) <= COMMAND_S * SAMPLE_RATE_HZ:
            heard = self._recogniser.hear(utterance)
        return replace(heard, note=written)

    def close(self) -> None:
        """Let go of the recogniser, and of the writer that is owned."""
        self._recogniser.close()
        if self._owned is not None:
            self._owned.close()
