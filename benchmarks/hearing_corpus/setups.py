"""What is compared: ways to hear, each with the decision that the program makes of it.

A set-up is made as the program makes it, from settings; `MODEL` in the environment is no part of it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from checkback.errors import UserError
from checkback.hearing.pocketsphinx import PocketSphinxRecogniser
from checkback.hearing.recogniser import Heard, Recogniser, Utterance
from checkback.language.free_text import spoken_words
from checkback.language.phrasebook import Phrasebook
from checkback.listeners import grammar_of, make_recogniser
from checkback.settings import Settings


@dataclass(frozen=True)
class Models:
    """Folders of models that do not come along, None for one that is not there; and the attention word.

    Also the folder of voices that were learnt.
    """

    whisper: Path | None = None
    vosk: Path | None = None
    attention: str = ""
    voices: Path | None = None


@dataclass(frozen=True)
class Setup:
    """A way to hear.

    Attributes
    ----------
    make : callable
        Starts it, from a phrasebook and the folders of models.
    needs : tuple of str
        Models that it cannot do without, as named in `Models`.
    """

    make: Callable[[Phrasebook, Models], Recogniser]
    needs: tuple[str, ...] = ()


def _settings(models: Models, **hearing: object) -> Settings:
    return Settings.model_validate(
        {
            "hearing": {
                "whisper_model": models.whisper,
                "vosk_model": models.vosk,
                "attention_word": models.attention,
                "voices": models.voices,
                **hearing,
            }
        }
    )


class _PlainWhisper:
    """Whisper's free text, its numerals in words, read as if it were a call-out."""

    name = "whisper, plain"

    def __init__(self, book: Phrasebook, models: Models) -> None:
        from checkback.hearing.whisper import WhisperListener

        assert models.whisper is not None
        self._numbers, self._abbreviations = book.file.numbers, book.file.typed
        # as it came: the tuned one writes call-outs as the phrasebook has them
        self._listener = WhisperListener(models.whisper, prompt=book.file.writes_like, tuned=False)

    @property
    def worker_pid(self) -> int | None:
        return self._listener.worker_pid

    def hear(self, utterance: Utterance) -> Heard:
        wrote = self._listener.listen(utterance.pcm)
        heard = self._listener.hear(utterance)
        if wrote is None or not heard.hypotheses:
            return heard
        words = " ".join(spoken_words(wrote.text, self._numbers, self._abbreviations))
        return replace(heard, hypotheses=(replace(heard.hypotheses[0], words=words),))

    def close(self) -> None:
        self._listener.close()


def _pocketsphinx_plain(book: Phrasebook, models: Models) -> Recogniser:
    return PocketSphinxRecogniser(grammar_of(book))


def _pocketsphinx(book: Phrasebook, models: Models) -> Recogniser:
    return make_recogniser(_settings(models, recogniser="pocketsphinx", second="none"), book)


def _whisper(book: Phrasebook, models: Models) -> Recogniser:
    return make_recogniser(_settings(models, recogniser="whisper"), book)


def _pocketsphinx_and_whisper(book: Phrasebook, models: Models) -> Recogniser:
    return make_recogniser(_settings(models, recogniser="pocketsphinx", second="whisper"), book)


def _pocketsphinx_and_untuned_whisper(book: Phrasebook, models: Models) -> Recogniser:
    return make_recogniser(_settings(models, recogniser="pocketsphinx", second="whisper", tuned=False), book)


def _vosk_and_whisper(book: Phrasebook, models: Models) -> Recogniser:
    return make_recogniser(
        _settings(models, recogniser="vosk", second="whisper", drop_unknown_words=True), book
    )


SETUPS: dict[str, Setup] = {
    "pocketsphinx, plain": Setup(_pocketsphinx_plain),
    "whisper, plain": Setup(_PlainWhisper, ("whisper",)),
    "pocketsphinx": Setup(_pocketsphinx),
    "whisper": Setup(_whisper, ("whisper",)),
    "pocketsphinx and whisper": Setup(_pocketsphinx_and_whisper, ("whisper",)),
    "pocketsphinx and untuned whisper": Setup(_pocketsphinx_and_untuned_whisper, ("whisper",)),
    "vosk and whisper": Setup(_vosk_and_whisper, ("vosk", "whisper")),
}
"""By name.  "Plain" is one listener's best sentence without the decision on evidence."""


def usable(names: list[str], models: Models) -> list[str]:
    """Return the set-ups asked for, or all whose models are there if none is named.

    Raises
    ------
    UserError
        If one that was named is unknown or lacks its model.
    """
    for name in names:
        if name not in SETUPS:
            raise UserError(f"There is no set-up {name!r}: there are {'; '.join(SETUPS)}.")
        if lacking := [model for model in SETUPS[name].needs if getattr(models, model) is None]:
            raise UserError(f"The set-up {name!r} needs --{lacking[0]}, the folder of a model.")
    return names or [
        name for name, setup in SETUPS.items() if all(getattr(models, model) for model in setup.needs)
    ]
