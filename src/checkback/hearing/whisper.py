"""The second listener: a Whisper model that the user brought, through CTranslate2.

It writes down freely what was said, and it scores given sentences on the sound.  The model runs in a
child process, comes from a local folder, and nothing is ever fetched.

The three parts that are needed of the usual library (features, prompt, decoding call) are done here,
because that library brings codecs under another kind of licence along.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from hashlib import blake2b
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.hearing import recogniser as port
from checkback.hearing.recogniser import Heard, Hypothesis, Pcm, Utterance
from checkback.hearing.worker import Worker

GET_MODEL = "see models_download.md for models that fit and how to place them"

#: Files without which the model cannot be used; one of each group.
_NEEDED = (("model.bin",), ("config.json",), ("tokenizer.json",), ("vocabulary.json", "vocabulary.txt"))

#: The smallest conversion has 40 MB; a pointer to a large file has some hundred bytes.
_LEAST_MODEL_BYTES = 1_000_000

#: What the model runs on.
PACKAGES = ("ctranslate2", "onnx", "onnxruntime", "tokenizers")

#: Above this probability of "no speech", words are made up unless they are this probable.  The values
#: that the model's authors publish (0.6 and -1.0) are for no prompt: after one with a dose in it, hiss, pink
#: noise and beeps were all written as that dose, with 0.32 to 0.89 and -0.68 to -0.84.  Speech in pink
#: noise of its own loudness had at most 0.15 (synthetic voices, stand-ins for people;
#: `benchmarks/whisper_model.py` measures it again).
NO_SPEECH = 0.2
LEAST_MEAN_LOGPROB = -0.3

#: Loading a large model from a slow disk takes its time.
START_LIMIT_S = 180.0


@dataclass(frozen=True, slots=True)
class FreeText:
    """What was written down of a sound.

    Attributes
    ----------
    text : str
        As the model writes it, with capitals, numerals and punctuation.
    tokens : tuple of str
        The pieces of it; the last one, empty, is the end of the text.
    logprobs : tuple of float
        Natural logarithm of each piece's probability, given the sound and the pieces before it.
    no_speech : float
        Probability that the sound holds no speech.
    alternatives : tuple of (str, float)
        Further texts with their total logarithm of probability, best first, if asked for.
    tuned : bool
        Whether the model was tuned for call-outs.
    """

    text: str
    tokens: tuple[str, ...] = ()
    logprobs: tuple[float, ...] = ()
    no_speech: float = 1.0
    alternatives: tuple[tuple[str, float], ...] = ()
    tuned: bool = False

    @property
    def total_logprob(self) -> float:
        """Logarithm of the probability of the whole text; comparable with `Scored.total_logprob`."""
        return sum(self.logprobs)

    @property
    def mean_logprob(self) -> float:
        """Mean over the pieces; minus infinity for no text."""
        return self.total_logprob / len(self.logprobs) if self.logprobs else float("-inf")

    @property
    def is_speech(self) -> bool:
        """Whether somebody spoke, as far as the model can tell."""
        return bool(self.text) and not (self.no_speech > NO_SPEECH and self.mean_logprob < LEAST_MEAN_LOGPROB)


@dataclass(frozen=True, slots=True)
class Scored:
    """How well a given text fits a sound.

    Attributes
    ----------
    text : str
        The text that was given.
    tokens : tuple of str
        The pieces of it; the last one, empty, is the end of the text.
    logprobs : tuple of float
        Natural logarithm of each piece's probability, given the sound and the pieces before it.
    """

    text: str
    tokens: tuple[str, ...]
    logprobs: tuple[float, ...]

    @property
    def total_logprob(self) -> float:
        """Logarithm of the probability that exactly this text is written for the sound."""
        return sum(self.logprobs)


@dataclass(frozen=True, slots=True)
class Judged:
    """How probable a sentence is on a sound, and how probable it is anyway.

    Attributes
    ----------
    text : str
        As the model writes it.
    logprobs, blank_logprobs : tuple of float
        Natural logarithm of the probability of each piece and of the end of the text: on the sound, and on
        silence; the latter empty if it was not asked for.  Of a sentence that was found in a search, among the
        usual pieces, which is up to a few hundredths too much for each piece; of one that was asked about, among
        all.
    ways : tuple of tuple of int
        Of a sentence that was found: the words of the spelling that it consists of.  Several if the same
        text can be put together in several ways.
    """

    text: str
    logprobs: tuple[float, ...]
    blank_logprobs: tuple[float, ...] = ()
    ways: tuple[tuple[int, ...], ...] = ()


@dataclass(frozen=True)
class Spelling:
    """Every sentence of the phrasebook as it is written: a graph of words.

    Attributes
    ----------
    words : tuple of str
        "balloon", "2.25", "ACT".
    arcs : tuple of (int, int, int)
        From state, to state, number of the word.
    start : int
    finals : frozenset of int
    """

    words: tuple[str, ...]
    arcs: tuple[tuple[int, int, int], ...]
    start: int
    finals: frozenset[int]


@dataclass(frozen=True, slots=True)
class Find:
    """A request to the child: find the sentences of the phrasebook that are likeliest on a sound."""

    pcm: Pcm


@dataclass(frozen=True, slots=True)
class Judge:
    """A request to the child: say how probable given sentences are on a sound."""

    pcm: Pcm
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Transcribe:
    """A request to the child: write down a sound; plainly, with the model as it came and not tuned for call-outs."""

    pcm: Pcm
    prompt: str
    beam: int
    alternatives: int
    plain: bool = False


@dataclass(frozen=True, slots=True)
class Score:
    """A request to the child: score texts on a sound."""

    pcm: Pcm
    texts: tuple[str, ...]
    prompt: str


@dataclass(frozen=True, slots=True)
class Take:
    """A request to the child: write down a sound, and find its likeliest sentences meanwhile."""

    writing: Transcribe


@dataclass(frozen=True, slots=True)
class Taken:
    """What was made of a sound.

    Attributes
    ----------
    found : tuple of Judged
        The sentences of the spelling that are likeliest, likeliest first; empty if the child failed twice, and if the
        model is one that cannot be searched with.
    wrote : FreeText or None
        What was written freely; None if the child failed twice.
    phones : ndarray of float32, shape (frames, phones + 1), or None
        Natural logarithm of the probability of each phone, and of the blank, in each frame; None unless the model is
        tuned.
    """

    found: tuple[Judged, ...] = ()
    wrote: FreeText | None = None
    phones: NDArray[np.float32] | None = None


Request = Transcribe | Score | Find | Judge | Take
Reply = FreeText | tuple[Scored, ...] | tuple[Judged, ...] | Taken


def check_model_folder(folder: Path) -> None:
    """Make sure that a folder holds the files of a converted model.

    Raises
    ------
    UserError
        If it does not.
    """
    if not folder.is_dir():
        raise UserError(f"There is no Whisper model folder {folder}: {GET_MODEL}.")
    missing = [
        " or ".join(names) for names in _NEEDED if not any((folder / name).is_file() for name in names)
    ]
    if missing:
        raise UserError(
            f"The Whisper model folder {folder} lacks {', '.join(missing)}: copy all its files, and {GET_MODEL}."
        )
    size = (folder / "model.bin").stat().st_size
    if size < _LEAST_MODEL_BYTES:
        raise UserError(
            f"model.bin in the Whisper model folder {folder} has only {size} bytes, which is a stand-in for the "
            f"model: copy the real file, and {GET_MODEL}."
        )


def check_packages() -> None:
    """Make sure that what the model runs on is installed.

    Raises
    ------
    UserError
        If it is not.
    """
    missing = [name for name in PACKAGES if find_spec(name) is None]
    if missing:
        raise UserError(
            f"A Whisper model needs {' and '.join(missing)}, not installed here: "
            "run pip install 'checkback[whisper]'."
        )


def digest_of(pcm: Pcm) -> bytes:
    """Return a digest by which a sound is known again."""
    return blake2b(np.ascontiguousarray(pcm, dtype="<i2").tobytes(), digest_size=16).digest()


def _judged(reply: Reply | None) -> tuple[Judged, ...]:
    return tuple(each for each in reply if isinstance(each, Judged)) if isinstance(reply, tuple) else ()


class WhisperListener:
    """A Whisper model in a child process.

    Parameters
    ----------
    folder : Path
        Converted model, as `models_download.md` tells.
    prompt : str
        Text in the style and with the words of the trade, which the model takes for what was said
        before; used where a call gives none.
    language : str
        Two letters; a model for English alone takes only "en".
    threads : int
        For the computation; 0: one for each processor, but at most four.
    spelling : Spelling or None
        The sentences among which `find` looks; without it, it finds none.
    tuned : bool
        Change the weights a little for call-outs in noise, if the program has such a change for the model.

    Raises
    ------
    UserError
        If the folder holds no usable model, or what it runs on is not installed.

    Notes
    -----
    The child keeps what it computed of the last few sounds, so that scoring texts on a sound that was
    just written down takes little time.
    """

    name = "whisper"

    def __init__(
        self,
        folder: Path,
        *,
        prompt: str = "",
        language: str = "en",
        threads: int = 0,
        spelling: Spelling | None = None,
        tuned: bool = True,
    ) -> None:
        check_packages()
        check_model_folder(folder)
        # imported here alone: what it needs is an extra, and only the child uses it
        from checkback.hearing.whisper_engine import make_engine

        self._prompt = prompt
        threads = threads or min(os.cpu_count() or 1, 4)
        self._worker: Worker[Request, Reply] = Worker(
            partial(make_engine, folder.absolute(), language, threads, spelling, tuned),
            name=self.name,
            remedy=f"the model in {folder} may be damaged or too large for this computer; {GET_MODEL}",
            start_limit_s=START_LIMIT_S,
        )

    @property
    def failures(self) -> int:
        """How often the child process failed and was started again."""
        return self._worker.failures

    @property
    def worker_pid(self) -> int | None:
        """Process id of the child process, or None while there is none."""
        return self._worker.pid

    def listen(
        self,
        pcm: Pcm,
        prompt: str | None = None,
        *,
        beam: int = 1,
        alternatives: int = 0,
        plain: bool = False,
    ) -> FreeText | None:
        """Write down freely what was said; sound of any length.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            Mono sound at 16 kHz.
        prompt : str or None
            Text that is taken for what was said before; None: the prompt of this listener.
        beam : int
            Width of the search; 1 is the fastest.
        alternatives : int
            How many further texts to find; the search is then at least that much wider.  Only for sound
            of up to half a minute.
        plain : bool
            With the model as it came, without the tuning for call-outs.

        Returns
        -------
        FreeText or None
            None if the child failed twice.
        """
        prompt = self._prompt if prompt is None else prompt
        reply = self._worker.ask(Transcribe(pcm, prompt, max(beam, alternatives + 1), alternatives, plain))
        return reply if isinstance(reply, FreeText) else None

    def score(self, pcm: Pcm, texts: Sequence[str], prompt: str | None = None) -> tuple[Scored, ...] | None:
        """Score texts on a sound of up to half a minute.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            Mono sound at 16 kHz; only its first half minute counts.
        texts : sequence of str
            Written the way the model writes: "Balloon 2.5 x 12, 14 atmospheres.".
        prompt : str or None
            Text that is taken for what was said before; None: the prompt of this listener.

        Returns
        -------
        tuple of Scored or None
            In the order given; None if the child failed twice.
        """
        reply = self._worker.ask(Score(pcm, tuple(texts), self._prompt if prompt is None else prompt))
        return tuple(each for each in reply if isinstance(each, Scored)) if isinstance(reply, tuple) else None

    def find(self, pcm: Pcm) -> tuple[Judged, ...]:
        """Return the sentences of the spelling that are likeliest on a sound, likeliest first.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            Mono sound at 16 kHz; only its first half minute counts.

        Returns
        -------
        tuple of Judged
            Empty if the child failed twice, and if the model is one that cannot be searched with.
        """
        return _judged(self._worker.ask(Find(pcm)))

    def take(self, pcm: Pcm) -> Taken:
        """Do what `find` and `listen` do, both at once, and tell which phones were heard."""
        reply = self._worker.ask(Take(Transcribe(pcm, self._prompt, 1, 0)))
        return reply if isinstance(reply, Taken) else Taken()

    def judge(self, pcm: Pcm, texts: Sequence[str]) -> tuple[Judged, ...]:
        """Return how probable texts are on a sound, in the order given; none if the child failed twice.

        More exactly than `find`, and not comparable with `score`, which has a text before.
        """
        return _judged(self._worker.ask(Judge(pcm, tuple(texts))) if texts else ())

    def write(self, pcm: Pcm) -> port.FreeText | None:
        """Write down a passage of a dictation; without words if nobody spoke.

        With the narrow search: the wide one wrote short passages twice.
        """
        found = self.listen(pcm, plain=True)
        if found is None:
            return None
        text = found.text if found.is_speech else ""
        return port.FreeText(text, round(found.total_logprob, 3), found.no_speech, writer=self.name)

    def hear(self, utterance: Utterance) -> Heard:
        """Write down one utterance; see `Recogniser.hear`.

        The words are those that the model wrote, in lower case, with its numerals and punctuation: they
        are words of the phrasebook only by chance.  The score is the mean logarithm of probability.
        """
        found = self.listen(utterance.pcm)
        if found is None or not found.text:
            return Heard(utterance, self.name)
        best = Hypothesis(
            words=" ".join(found.text.lower().split()),
            score=round(found.mean_logprob, 3),
            likely_speech_to_us=found.is_speech,
        )
        return Heard(utterance, self.name, (best,))

    def close(self) -> None:
        """End the child process."""
        self._worker.close()
