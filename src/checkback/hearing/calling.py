"""The attention word is listened for first, and what does not begin with it is not decoded at all.

In an open room most of what is said is no call-out.  A keyword search over the beginning of an utterance
tells so in a tenth of the time that decoding takes.  Where it is not sure, it only sorts out: that the attention
word was said is then decided with everything else that was heard (`ENOUGH_TO_ATTEND`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np

from checkback.hearing.pocketsphinx import SHORTEST_S, decoder_of
from checkback.hearing.pronunciations import pronunciations_of
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Heard, Pcm, Recogniser, Utterance
from checkback.hearing.worker import Worker

#: What is searched: the attention word takes about 0.6 s, and the detector of voices may begin early.
SEARCHED_S = 2.2
#: Latest beginning of the attention word, in the sound of the utterance.
LATEST_S = 1.3
#: Score from which on the word may have been said, and from which on it was.  Chosen on the development side
#: for "check back": see docs/hearing.md, which names the command.
LEAST_SCORE, SURE_SCORE = 0.80, 0.845

_FRAMES_PER_S = 100
#: So low that the search itself rejects nothing that `LEAST_SCORE` would not.
_SEARCH_THRESHOLD = 1e-60
_CALL, _NOISE = "call", "noise"


class Spotter:
    """Searches the beginning of an utterance for a few words, in this process.

    Parameters
    ----------
    words : sequence of str
        The attention words.
    pronunciations : mapping of str to tuple of str
        Of words that the bundled dictionary lacks.

    Raises
    ------
    UserError
        If a word has no pronunciation.
    """

    def __init__(self, words: Sequence[str], pronunciations: Mapping[str, tuple[str, ...]]) -> None:
        known = pronunciations_of(words, pronunciations)
        self._decoder = decoder_of(known, kws_threshold=_SEARCH_THRESHOLD)
        self._decoder.add_keyphrase(_CALL, " ".join(words))
        # the cheapest search there is, for the pass that only estimates the noise
        self._decoder.add_fsg(_NOISE, self._decoder.create_fsg(_NOISE, 0, 1, [(0, 1, 1.0, words[0])]))

    def score(self, pcm: Pcm) -> float:
        """Return how well the beginning fits the words; 0 where nothing fits.

        Parameters
        ----------
        pcm : ndarray of int16, shape (samples,)
            Mono sound at 16 kHz.

        Returns
        -------
        float
            In the unit of PocketSphinx, whose logarithm has a base near 1: from about 0.75 to 0.92.
        """
        if len(pcm) < SHORTEST_S * SAMPLE_RATE_HZ:
            return 0.0
        sound = np.ascontiguousarray(pcm[: int(SEARCHED_S * SAMPLE_RATE_HZ)], dtype="<i2").tobytes()
        self._decoder.reinit_feat()
        for search in (_NOISE, _CALL):
            self._decoder.activate_search(search)
            self._decoder.start_utt()
            try:
                self._decoder.process_raw(sound, False, True)
            finally:
                self._decoder.end_utt()
        if self._decoder.hyp() is None:
            return 0.0
        latest = LATEST_S * _FRAMES_PER_S
        return max((float(s.prob) for s in self._decoder.seg() if s.start_frame <= latest), default=0.0)


def _make_score(
    words: Sequence[str], pronunciations: Mapping[str, tuple[str, ...]]
) -> Callable[[Pcm], float]:
    return Spotter(words, pronunciations).score


class CalledRecogniser:
    """Hears what is meant for the program by the pedal, or may begin with the attention word.

    Parameters
    ----------
    recogniser : Recogniser
        Hears those; it is closed together with this one.
    words, pronunciations
        See `Spotter`.

    Notes
    -----
    The search lives in a child process; should that fail twice, everything is heard.
    """

    def __init__(
        self, recogniser: Recogniser, words: Sequence[str], pronunciations: Mapping[str, tuple[str, ...]]
    ) -> None:
        self.name = recogniser.name
        self.inner = recogniser
        self._worker: Worker[Pcm, float] = Worker(
            partial(_make_score, tuple(words), dict(pronunciations)), name="attention word"
        )
        self._ahead = ThreadPoolExecutor(1, thread_name_prefix="attention word, ahead")
        self._prepared: tuple[Pcm, Future[float]] | None = None

    def follow(self, so_far: Utterance) -> None:
        """Follow what needs no attention word; returns at once."""
        follow = getattr(self.inner, "follow", None)
        if follow is not None and _needs_no_call(so_far):
            follow(so_far)

    def prepare(self, utterance: Utterance) -> None:
        """Begin on sound that will probably be the next utterance; returns at once."""
        prepared = self._prepared
        if prepared is None or (prepared[0] is not utterance.pcm and prepared[1].done()):
            self._prepared = utterance.pcm, self._ahead.submit(self._look_ahead, utterance)

    def hear(self, utterance: Utterance) -> Heard:
        """Decode one utterance, or return it with no hypothesis; see `Recogniser.hear`."""
        prepared, self._prepared = self._prepared, None
        if prepared is not None and np.array_equal(prepared[0], utterance.pcm):
            score = prepared[1].result()
        else:
            score = self._score(utterance)
        # the attention word may have been taken since the sound was prepared
        if score < LEAST_SCORE and not _needs_no_call(utterance):
            return Heard(utterance, self.name)
        return replace(self.inner.hear(utterance), called=score >= SURE_SCORE)

    def close(self) -> None:
        """End the search and let go of the recogniser."""
        self._ahead.shutdown(wait=True, cancel_futures=True)
        self._worker.close()
        self.inner.close()

    def _look_ahead(self, utterance: Utterance) -> float:
        score = self._score(utterance)
        prepare = getattr(self.inner, "prepare", None)
        if prepare is not None and (score >= LEAST_SCORE or _needs_no_call(utterance)):
            prepare(utterance)
        return score

    def _score(self, utterance: Utterance) -> float:
        """Return how well it fits; 0 where nobody asks for it."""
        score = 0.0 if _needs_no_call(utterance) else self._worker.ask(utterance.pcm)
        # without the search everything is heard, and nothing is sure
        return LEAST_SCORE if score is None else score


def _needs_no_call(utterance: Utterance) -> bool:
    return utterance.held or utterance.called or utterance.dictated
