"""The recogniser that comes with its own model: PocketSphinx over the word graph.

The settings were chosen on commands spoken by synthetic voices in quiet, pink noise and babble;
`benchmarks/rejection.py` measures them again with any grammar.
"""

from __future__ import annotations

import math
import re
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import takewhile
from pathlib import Path
from typing import Any

import numpy as np
from pocketsphinx import Config, Decoder, get_model_path

from checkback.hearing.acoustic_model import change_fits, changed_files
from checkback.hearing.gating import MARGIN, Gate
from checkback.hearing.pronunciations import bundled_pronunciations, dictionary_text, pronunciations_of
from checkback.hearing.recogniser import (
    SAMPLE_RATE_HZ,
    Fit,
    Grammar,
    Heard,
    Hypothesis,
    Pcm,
    Utterance,
    Wordings,
)
from checkback.hearing.worker import Worker

#: Logarithm base of the scores inside PocketSphinx.
_LOG_BASE = math.log(1.0001)

#: Score per frame under which sound is taken for something other than a call-out.
LEAST_SCORE_PER_FRAME = -45.0

#: Silence before and behind the words that counts in the score: what the segmenter leaves.
EDGE_FRAMES = 20

#: Shorter sound holds no word, and the feature extraction needs some frames.
SHORTEST_S = 0.1

#: The search.  The beams are wide because errors of pruning cost more than the time saved; the
#: second pass and the lattice search add time and no accuracy over a grammar; `wip` is the word
#: insertion penalty.  Noise removal on and no gain control, which are right, come from the
#: feature settings in the model folder: they override whatever is given here.
TUNED: Mapping[str, Any] = {
    "bestpath": False,
    "fwdflat": False,
    "beam": 1e-64,
    "pbeam": 1e-64,
    "wbeam": 1e-48,
    "wip": 0.05,
    "topn": 8,
    # In noise everything fits a little, and without a limit the search grows without end.
    "maxhmmpf": 2000,
    # Pauses between the parts of a long size are common, so silence between words costs little.
    "silprob": 0.1,
}

#: While a sound is followed, what is learnt from it for the search (the noise, for the gate and for PocketSphinx,
#: and the mean of the cepstra) is learnt anew at these lengths, and the search begins afresh with that.
LEARNT_AT = tuple(int(seconds * SAMPLE_RATE_HZ) for seconds in (1.0, 2.0, 4.0, 8.0))

#: With the pedal held somebody waits for the answer, and to search 4 s again takes longer than the rest of what is
#: said.  In an open room the later ones stay: without them long talk fits a call-out too well.
LEARNT_AT_HELD = LEARNT_AT[:2]

#: So much is searched at once: what is found must not depend on the pieces in which the sound came.
_PIECE = 1920

_MODEL = Path(get_model_path("en-us"))
ACOUSTIC_MODEL = _MODEL / "en-us"

TUNING = Path(__file__).with_name("tuning") / "en-us.npz"
"""A change of the acoustic model for call-outs in noise, made by `benchmarks/tune_pocketsphinx.py`."""

#: What stands for silence and noise in a path.
_SILENCE = re.compile(r"<|\[|\(NULL\)")
_PHRASEBOOK = "phrasebook"
_NO_SEARCH = "noise"
_ONE = "one sentence"


def _closed_under_free_moves(arcs: Iterable[tuple[int, int, str]]) -> set[tuple[int, int]]:
    """Return every pair of states joined by one or more arcs without a word.

    The search follows one such arc at a time, so chains of them must be spelt out.
    """
    onward: dict[int, set[int]] = defaultdict(set)
    for source, target, word in arcs:
        if not word:
            onward[source].add(target)
    pairs: set[tuple[int, int]] = set()
    for source in tuple(onward):
        ahead, reached = list(onward[source]), set()
        while ahead:
            state = ahead.pop()
            if state not in reached:
                reached.add(state)
                ahead.extend(onward.get(state, ()))
        pairs.update((source, target) for target in reached if target != source)
    return pairs


def _transitions(grammar: Grammar) -> list[tuple[int, int, float] | tuple[int, int, float, str]]:
    """Return the arcs of the grammar as PocketSphinx takes them, all equally probable."""
    free = sorted(_closed_under_free_moves(grammar.arcs))
    words = sorted({arc for arc in grammar.arcs if arc[2]})
    return [
        *((source, target, 1.0) for source, target in free),
        *((source, target, 1.0, word) for source, target, word in words),
    ]


def _says(sentence: Wordings, words: tuple[str, ...]) -> bool:
    """Return whether words are the whole sentence, and not its beginning."""
    if not sentence:
        return not words
    return any(words[: len(form)] == form and _says(sentence[1:], words[len(form) :]) for form in sentence[0])


def _log(probability: float) -> float:
    """Return a probability as PocketSphinx counts inside, or 0 for one that has no logarithm."""
    return math.log(probability) / _LOG_BASE if probability > 0 else 0.0


def _score_per_frame(path: float, frames: int, segments: Sequence[Any]) -> float:
    """Return the mean score of a path over its words and a little of the silence at its ends.

    Silence fits well, so that much of it would raise the mean of anything.
    """
    total, counted = _log(path), frames
    for inward in (segments, segments[::-1]):
        outer = list(takewhile(lambda segment: _SILENCE.match(segment.word), inward))
        length = sum(segment.end_frame - segment.start_frame + 1 for segment in outer)
        excess = length - EDGE_FRAMES
        if excess > 0:
            total -= sum(_log(segment.ascore) for segment in outer) * excess / length
            counted -= excess
    return total / max(counted, 1)


def decoder_of(
    pronunciations: Mapping[str, Iterable[str]], *, change: Path | None = None, **settings: Any
) -> Any:
    """Make a PocketSphinx decoder that knows only the given words, with these settings.

    Parameters
    ----------
    pronunciations : mapping of str to iterable of str
    change : Path or None
        Of the acoustic model, as `checkback.hearing.acoustic_model` writes it.
    **settings
        Of PocketSphinx.
    """
    with tempfile.TemporaryDirectory() as folder:
        dictionary = Path(folder) / "words.dict"
        dictionary.write_text(dictionary_text(pronunciations), encoding="utf-8")
        if change is not None:
            # read at once, because the folder goes
            settings |= {"mmap": False, **changed_files(ACOUSTIC_MODEL, change, Path(folder))}
        # Without an explicit None for `lm` the bundled three-gram model is loaded, which is slow.
        return Decoder(
            Config(hmm=str(ACOUSTIC_MODEL), dict=str(dictionary), lm=None, loglevel="FATAL", **settings)
        )


def _bytes_of(pcm: Pcm) -> bytes:
    return np.ascontiguousarray(pcm, dtype="<i2").tobytes()


class PocketSphinxDecoder:
    """PocketSphinx over a grammar, in this process.

    Parameters
    ----------
    grammar : Grammar
        Its word graph is the language.
    tuned : bool
        With the acoustic model changed for call-outs in noise.
    change : Path
        With which it is tuned.

    Raises
    ------
    UserError
        If a word of the grammar has no pronunciation.

    Notes
    -----
    The graph is given as arcs and not as JSGF, in which each reference to a rule is a copy of it.
    The interpreter's lock is held during decoding.
    """

    def __init__(
        self,
        grammar: Grammar,
        *,
        tuned: bool = True,
        change: Path = TUNING,
    ) -> None:
        known = pronunciations_of(grammar.words, grammar.pronunciations)
        # Two, because one that has taken a sound whole crashes when it then takes a long one piece by piece.
        self._whole = decoder_of(known, change=change if tuned else None, **TUNED)
        self._by_piece = decoder_of(known, change=change if tuned else None, **TUNED)
        self._words = grammar.words
        # The cheapest search there is, for the passes that only learn from the sound.
        idle = (0, 1, [(0, 1, 1.0, min(grammar.words))])
        for decoder in (self._whole, self._by_piece):
            decoder.add_fsg(_NO_SEARCH, decoder.create_fsg(_NO_SEARCH, *idle))
        phrasebook = (grammar.start, grammar.final, _transitions(grammar))
        self._by_piece.add_fsg(_PHRASEBOOK, self._by_piece.create_fsg(_PHRASEBOOK, *phrasebook))
        #: What is being searched, how much of it was, and how much of it was learnt from; 0: nothing is.
        self._followed: Pcm = np.zeros(0, np.int16)
        self._gate = Gate(self._followed)
        self._searched = self._learnt = 0
        #: The sound that sentences were last weighed on, and what the gate leaves of it.
        self._weighed: tuple[Pcm, Pcm] | None = None

    def _pass(self, search: str, pcm: Pcm) -> Any:
        """Run one search over a whole sound and return its best path, or None."""
        self._whole.activate_search(search)
        self._whole.start_utt()
        try:
            # In one piece, with which the cepstral mean is that of the whole sound.
            self._whole.process_raw(_bytes_of(pcm), False, True)
        finally:
            self._whole.end_utt()
        return self._whole.hyp()

    def _learn(self, pcm: Pcm) -> None:
        """Begin a search with the noise and the mean of a sound, and nothing of what was heard before."""
        self._forget()
        self._weighed = None
        self._whole.reinit_feat()
        for _ in range(2):
            # twice, so that the estimate of the noise has settled when the mean is taken
            self._pass(_NO_SEARCH, pcm)
        decoder = self._by_piece
        decoder.reinit_feat()
        decoder.activate_search(_NO_SEARCH)
        decoder.start_utt()
        try:
            for at in range(0, len(pcm), _PIECE):
                decoder.process_raw(_bytes_of(pcm[at : at + _PIECE]), False, False)
        finally:
            decoder.end_utt()
        decoder.set_cmn(self._whole.get_cmn())
        decoder.activate_search(_PHRASEBOOK)
        decoder.start_utt()
        self._learnt = len(pcm)

    def _forget(self) -> None:
        """End the search that is under way, if one is."""
        if self._learnt:
            self._searched = self._learnt = 0
            self._by_piece.end_utt()

    def _search(self, pcm: Pcm, until: int, held: bool) -> None:
        """Search a sound as far as `until`, going on where it was begun."""
        lengths = LEARNT_AT_HELD if held else LEARNT_AT
        learnt = max((length for length in lengths if length + MARGIN <= len(pcm)), default=len(pcm))
        known = self._searched
        if learnt != self._learnt or not np.array_equal(self._followed[:known], pcm[:known]):
            self._gate = Gate(pcm[:learnt])
            self._learn(self._gate(pcm)[:learnt])
        self._followed = pcm
        begin = self._searched
        gated = self._gate(pcm, begin)[: until - begin]
        for at in range(0, len(gated), _PIECE):
            self._by_piece.process_raw(_bytes_of(gated[at : at + _PIECE]), False, False)
            self._searched = begin + at + _PIECE

    def follow(self, pcm: Pcm, *, held: bool = False) -> None:
        """Search a sound that goes on, as far as it is known.

        Decoding then takes little time; what it finds is the same without this.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            From its beginning; mono sound at 16 kHz.
        held : bool
            As for `decode`.
        """
        settled = len(pcm) - MARGIN
        if settled >= LEARNT_AT[0]:
            self._search(pcm, settled - settled % _PIECE, held)

    def weigh(self, pcm: Pcm, sentences: Sequence[Wordings]) -> tuple[Fit | None, ...]:
        """Return how well each sentence fits the sound, on one scale, and in which wording.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            Mono sound at 16 kHz.
        sentences : sequence of Wordings
            Of words of the grammar; they need not be sentences of it.

        Returns
        -------
        tuple of Fit or None
            Logarithm of each path's probability relative to the best-fitting sounds, in
            thousands of the base 1.0001; None for what cannot be fitted, or has a word that
            the grammar lacks.
        """
        if len(pcm) < SHORTEST_S * SAMPLE_RATE_HZ:
            return (None,) * len(sentences)
        if self._weighed is None or not np.array_equal(self._weighed[0], pcm):
            self._weighed = pcm, Gate(pcm)(pcm)
            self._whole.reinit_feat()
            self._pass(_NO_SEARCH, self._weighed[1])
        return tuple(self._fit(self._weighed[1], sentence) for sentence in sentences)

    def _fit(self, pcm: Pcm, sentence: Wordings) -> Fit | None:
        arcs: list[tuple[int, int, float, str]] = []
        last = len(sentence)
        inner = last + 1
        for n, forms in enumerate(sentence):
            for form in forms:
                if not self._words.issuperset(form):
                    continue
                stops = [n, *range(inner, inner + len(form) - 1), n + 1]
                inner += len(form) - 1
                arcs += [(a, b, 1.0, word) for a, b, word in zip(stops, stops[1:], form, strict=False)]
        if not {n for n, _, _, _ in arcs}.issuperset(range(last)) or not arcs:
            return None
        self._whole.add_fsg(_ONE, self._whole.create_fsg(_ONE, 0, last, arcs))
        best = self._pass(_ONE, pcm)
        if best is None or best.score <= 0 or not _says(sentence, tuple(best.hypstr.split())):
            return None
        return Fit(best.hypstr, round(_log(best.score) / 1000, 4))

    def decode(self, pcm: Pcm, *, held: bool = False) -> tuple[Hypothesis, ...]:
        """Decode a whole utterance.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            Mono sound at 16 kHz.
        held : bool
            The talk pedal was held: see `LEARNT_AT_HELD`.

        Returns
        -------
        tuple of Hypothesis
            At most one.  Its words may be the beginning of a sentence only; its score is the
            logarithm (base 1.0001) of the path's probability relative to the best-fitting
            sounds, per 10 ms frame of its words.
        """
        if len(pcm) < SHORTEST_S * SAMPLE_RATE_HZ:
            return ()
        decoder = self._by_piece
        self._search(pcm, len(pcm), held)
        self._forget()
        best = decoder.hyp()
        if best is None or not best.hypstr or best.score <= 0:
            return ()
        score = _score_per_frame(best.score, decoder.n_frames(), list(decoder.seg()))
        return (
            Hypothesis(
                words=best.hypstr,
                score=round(score, 2),
                likely_speech_to_us=score >= LEAST_SCORE_PER_FRAME,
            ),
        )


@dataclass(frozen=True, slots=True)
class _Follow:
    """A request to the child: search this beginning of a sound."""

    pcm: Pcm
    held: bool


@dataclass(frozen=True, slots=True)
class _Decode:
    """A request to the child: decode a whole sound."""

    pcm: Pcm
    held: bool


@dataclass(frozen=True, slots=True)
class _Weigh:
    """A request to the child: say how well these sentences fit."""

    pcm: Pcm
    sentences: tuple[Wordings, ...]


_Question = _Decode | _Follow | _Weigh
_Answer = tuple[Hypothesis, ...] | tuple[Fit | None, ...]


def _make_answer(grammar: Grammar, tuned: bool, change: Path) -> Callable[[_Question], _Answer]:
    decoder = PocketSphinxDecoder(grammar, tuned=tuned, change=change)

    def answer(question: _Question) -> _Answer:
        if isinstance(question, _Follow):
            decoder.follow(question.pcm, held=question.held)
            return ()
        if isinstance(question, _Weigh):
            return decoder.weigh(question.pcm, question.sentences)
        return decoder.decode(question.pcm, held=question.held)

    return answer


class PocketSphinxRecogniser:
    """PocketSphinx over a grammar, in one child process or two.

    Parameters
    ----------
    grammar : Grammar
        Its word graph is the language.
    children : int
        Two weigh sentences in half of the time; only one of them searches.
    tuned : bool
    change : Path
        As for `PocketSphinxDecoder`.

    Raises
    ------
    UserError
        If a word of the grammar has no pronunciation.
    """

    name = "pocketsphinx"

    def __init__(
        self, grammar: Grammar, *, children: int = 1, tuned: bool = True, change: Path = TUNING
    ) -> None:
        plain = replace(grammar, pronunciations=dict(grammar.pronunciations))
        with ThreadPoolExecutor(children) as starting:
            workers = [starting.submit(self._start, plain, tuned, change) for _ in range(children)]
        failures = [failure for each in workers if (failure := each.exception()) is not None]
        if failures:
            for each in workers:
                if each.exception() is None:
                    each.result().close()
            raise failures[0]
        self._workers = [each.result() for each in workers]
        self._worker = self._workers[0]
        #: Number of the child that is asked about the next sentence.
        self._turn = 0
        self._prepared: tuple[Utterance, Future[_Answer | None]] | None = None
        self._following: Future[_Answer | None] | None = None

    def _start(self, grammar: Grammar, tuned: bool, change: Path) -> Worker[_Question, _Answer]:
        return Worker(partial(_make_answer, grammar, tuned, change), name=self.name)

    @property
    def failures(self) -> int:
        """How often a child process failed and was started again."""
        return sum(worker.failures for worker in self._workers)

    @property
    def worker_pid(self) -> int | None:
        """Process id of the child process, or None while there is none."""
        return self._worker.pid

    def follow(self, so_far: Utterance) -> None:
        """Search what is known of an utterance that goes on; returns at once.

        May be called again and again; while a child is busy it does nothing.
        """
        if self._following is None or self._following.done():
            self._following = self._worker.submit(_Follow(so_far.pcm, so_far.held))

    def prepare(self, utterance: Utterance) -> None:
        """Begin to decode sound that will probably be the next utterance; returns at once.

        If `hear` is then called with the same sound, it has a head start.  May be called again
        and again while the pause lasts.
        """
        prepared = self._prepared
        if prepared is None or (prepared[0].pcm is not utterance.pcm and prepared[1].done()):
            self._prepared = utterance, self._worker.submit(_Decode(utterance.pcm, utterance.held))

    def hear(self, utterance: Utterance) -> Heard:
        """Decode one utterance; see `Recogniser.hear`."""
        prepared, self._prepared = self._prepared, None
        if (
            prepared is not None
            and prepared[0].held == utterance.held
            and np.array_equal(prepared[0].pcm, utterance.pcm)
        ):
            decoding = prepared[1]
        else:
            decoding = self._worker.submit(_Decode(utterance.pcm, utterance.held))
        found = tuple(h for h in decoding.result() or () if isinstance(h, Hypothesis))
        return Heard(utterance, self.name, found)

    def weigh(self, utterance: Utterance, sentences: Sequence[Wordings]) -> tuple[Fit | None, ...]:
        """Return how well each sentence fits; see `PocketSphinxDecoder.weigh`."""
        # In turn, because the first of these may come in a call of its own.  A child without one learns from the
        # sound meanwhile, for what it may be asked about it next.
        count, turn = len(self._workers), self._turn
        self._turn = (turn + len(sentences)) % count
        workers = [*self._workers[turn:], *self._workers[:turn]]
        asked = [
            worker.submit(_Weigh(utterance.pcm, tuple(sentences[n::count])))
            for n, worker in enumerate(workers)
        ]
        found: list[Fit | None] = [None] * len(sentences)
        for n, answer in enumerate(asked[: len(sentences)]):
            for at, fit in enumerate(answer.result() or ()):
                found[n + at * count] = fit if isinstance(fit, Fit) else None
        return tuple(found)

    def close(self) -> None:
        """End the child processes."""
        for worker in self._workers:
            worker.close()


def can_be_tuned() -> bool:
    """Return whether the change for call-outs was made for the acoustic model that is installed."""
    return change_fits(ACOUSTIC_MODEL, TUNING)


def accepts_jsgf(jsgf: str, pronunciations: Mapping[str, Iterable[str]]) -> bool:
    """Return whether PocketSphinx itself takes the grammar.

    Parameters
    ----------
    jsgf : str
        A grammar in the JSpeech Grammar Format with one public rule.
    pronunciations : mapping of str to iterable of str
        Pronunciations of words that the bundled dictionary lacks.
    """
    known: dict[str, list[str]] = defaultdict(list)
    for word, phones in bundled_pronunciations():
        known[word].append(phones)
    for word, variants in pronunciations.items():
        known[word].extend(variants)
    decoder = decoder_of(known, **TUNED)
    try:
        decoder.add_jsgf_string("grammar", jsgf)
    except (ValueError, RuntimeError):
        return False
    return True
