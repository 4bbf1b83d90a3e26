"""The recogniser for a model that the user brought: Vosk with the phrase list."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from checkback.errors import UserError
from checkback.hearing.recogniser import (
    SAMPLE_RATE_HZ,
    FreeText,
    Grammar,
    Heard,
    Hypothesis,
    Pcm,
    Utterance,
)
from checkback.hearing.worker import Worker

_GET_MODEL = "see models_download.md for models that fit and how to place them"

#: What the recogniser writes for sound outside its phrases, in models that have it.
_OUTSIDE = "[unk]"

#: Files without which Vosk crashes instead of complaining, or ignores the phrase list; the second
#: place is that of older models.
_NEEDED = {
    "its acoustic model is missing": ("am/final.mdl", "final.mdl"),
    "it cannot take a phrase list, because its graph is fixed": ("graph/Gr.fst", "Gr.fst"),
}


def check_model_folder(folder: Path) -> None:
    """Make sure that a folder holds a model that takes a phrase list.

    Raises
    ------
    UserError
        If it does not.
    """
    if not folder.is_dir():
        raise UserError(f"There is no Vosk model folder {folder}: {_GET_MODEL}.")
    for fault, places in _NEEDED.items():
        if not any((folder / place).is_file() for place in places):
            raise UserError(
                f"{folder} is not a usable Vosk model ({fault}): name the folder that holds 'am' and 'graph', "
                f"and {_GET_MODEL}."
            )


def phrase_list(
    phrases: Iterable[str], is_known: Callable[[str], bool]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Leave out the words that a model does not know.

    Parameters
    ----------
    phrases : iterable of str
        Words with spaces between them.
    is_known : callable
        Tells whether the model has a word.

    Returns
    -------
    kept : tuple of str
        The phrases; one with unknown words is broken up there, so that no false neighbours arise.
    unknown : tuple of str
        The words left out, in alphabetical order.

    Raises
    ------
    UserError
        If no phrase is left.
    """
    known: dict[str, bool] = {}
    kept: dict[str, None] = {}
    for phrase in phrases:
        part: list[str] = []
        for word in phrase.split():
            if known.setdefault(word, is_known(word)):
                part.append(word)
                continue
            if part:
                kept[" ".join(part)] = None
            part = []
        if part:
            kept[" ".join(part)] = None
    if not kept:
        raise UserError(
            f"The Vosk model knows none of the phrasebook's words: it is for another language; {_GET_MODEL}."
        )
    return tuple(kept), tuple(sorted(word for word, there in known.items() if not there))


def _hypotheses(result: str) -> tuple[Hypothesis, ...]:
    """Read the result that Vosk writes as JSON."""
    found: dict[str, Any] = json.loads(result)
    words = " ".join(found.get("text", "").split())
    if not words:
        return ()
    confidences = [float(word["conf"]) for word in found.get("result", ())]
    return (
        Hypothesis(
            words=words,
            score=round(float(np.mean(confidences)), 3) if confidences else None,
            likely_speech_to_us=_OUTSIDE not in words.split(),
        ),
    )


#: What the worker is asked for the words that its model lacks, instead of sound.
_UNKNOWN_WORDS = None


def _make_answer(folder: Path, phrases: tuple[str, ...]) -> Callable[[Pcm | None], tuple[Any, ...]]:
    """Load the model, in the worker; sound is answered with hypotheses."""
    import vosk

    vosk.SetLogLevel(-1)
    try:
        model = vosk.Model(str(folder))
    except Exception as error:
        raise UserError(f"The Vosk model in {folder} cannot be loaded: {_GET_MODEL}.") from error
    kept, unknown = phrase_list(phrases, lambda word: model.vosk_model_find_word(word) >= 0)
    if model.vosk_model_find_word(_OUTSIDE) >= 0:
        kept = (*kept, _OUTSIDE)
    # Anything else than a list of strings that are not empty would crash here.
    recogniser = vosk.KaldiRecognizer(model, SAMPLE_RATE_HZ, json.dumps(kept, ensure_ascii=False))
    recogniser.SetWords(True)

    def answer(pcm: Pcm | None) -> tuple[Any, ...]:
        if pcm is _UNKNOWN_WORDS:
            return unknown
        recogniser.AcceptWaveform(np.ascontiguousarray(pcm, dtype="<i2").tobytes())
        return _hypotheses(recogniser.FinalResult())

    return answer


def _make_write(folder: Path) -> Callable[[Pcm], tuple[str, float]]:
    """Load the model with no phrases, in the worker; sound is answered with words and their probability."""
    import vosk

    vosk.SetLogLevel(-1)
    try:
        recogniser = vosk.KaldiRecognizer(vosk.Model(str(folder)), SAMPLE_RATE_HZ)
    except Exception as error:
        raise UserError(f"The Vosk model in {folder} cannot be loaded: {_GET_MODEL}.") from error
    recogniser.SetWords(True)

    def write(pcm: Pcm) -> tuple[str, float]:
        recogniser.AcceptWaveform(np.ascontiguousarray(pcm, dtype="<i2").tobytes())
        found: dict[str, Any] = json.loads(recogniser.FinalResult())
        confidences = [max(float(word["conf"]), 1e-6) for word in found.get("result", ())]
        return " ".join(found.get("text", "").split()), float(
            np.log(confidences).sum()
        ) if confidences else 0.0

    return write


class VoskWriter:
    """Vosk without phrases, in a child process: writes down what was said, whatever it was.

    Parameters
    ----------
    folder : Path
        An unpacked model.

    Raises
    ------
    UserError
        If the folder holds no usable model.
    """

    name = "vosk"

    def __init__(self, folder: Path) -> None:
        check_model_folder(folder)
        self._worker: Worker[Pcm, tuple[str, float]] = Worker(
            partial(_make_write, folder.absolute()),
            name=f"{self.name} for notes",
            remedy=f"the model in {folder} may be damaged; {_GET_MODEL}",
        )

    def write(self, pcm: Pcm) -> FreeText | None:
        """Write down what was said; None if the child failed twice."""
        answer = self._worker.ask(pcm)
        if answer is None:
            return None
        return FreeText(answer[0], answer[1], no_speech=0.0 if answer[0] else 1.0, writer=self.name)

    def close(self) -> None:
        """End the child process."""
        self._worker.close()


#: Unknown words that a message names.
NAMED_WORDS = 20


class VoskRecogniser:
    """Vosk over a phrase list, in a child process.

    Parameters
    ----------
    folder : Path
        An unpacked model of the kind that takes a phrase list.
    grammar : Grammar
        Its phrases are what can be heard.
    drop_unknown : bool
        Go on without the words that the model does not know, instead of refusing them.

    Attributes
    ----------
    unknown_words : tuple of str
        Words of the phrases that the model does not know and that it will never hear.

    Raises
    ------
    UserError
        If the folder holds no usable model, or one that does not know a word of the phrases.

    Notes
    -----
    Inside, the phrases become a model of pairs of words, so what is heard need not be one of them.
    """

    name = "vosk"

    def __init__(self, folder: Path, grammar: Grammar, *, drop_unknown: bool = False) -> None:
        check_model_folder(folder)
        self._worker: Worker[Pcm | None, tuple[Any, ...]] = Worker(
            partial(_make_answer, folder.absolute(), grammar.phrases),
            name=self.name,
            remedy=f"the model in {folder} may be damaged; {_GET_MODEL}",
        )
        self.unknown_words: tuple[str, ...] = self._worker.ask(_UNKNOWN_WORDS) or ()
        if self.unknown_words and not drop_unknown:
            self.close()
            named = ", ".join(self.unknown_words[:NAMED_WORDS])
            more = len(self.unknown_words) - NAMED_WORDS
            raise UserError(
                f"The Vosk model in {folder} does not know {named}{f' and {more} more words' if more > 0 else ''}: take what "
                "needs these words out of the phrasebook, or set hearing.drop_unknown_words = true, "
                "after which they are never heard."
            )

    @property
    def failures(self) -> int:
        """How often the child process failed and was started again."""
        return self._worker.failures

    @property
    def worker_pid(self) -> int | None:
        """Process id of the child process, or None while there is none."""
        return self._worker.pid

    def hear(self, utterance: Utterance) -> Heard:
        """Decode one utterance; see `Recogniser.hear`."""
        return Heard(utterance, self.name, self._worker.ask(utterance.pcm) or ())

    def close(self) -> None:
        """End the child process."""
        self._worker.close()
