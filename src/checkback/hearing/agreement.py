"""Two listeners and one list: every sentence that either may have heard, with the evidence for each.

The first listener knows the grammar and hears nothing else; the second writes down freely what it
heard, which is matched to the grammar by sound.  Both then judge every sentence of the common list on
the sound itself.  Nothing is decided here: how much the evidence is worth, and whether it is enough for
an entry, is said elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from typing import Protocol

from checkback.hearing.phonetic import SoundMatcher
from checkback.hearing.recogniser import (
    Evidence,
    FreeText,
    Heard,
    Hypothesis,
    Recogniser,
    Utterance,
)
from checkback.hearing.whisper import WhisperListener

FROM_EACH = 5
"""Sentences of different meaning that each listener may bring to the list."""

WITHIN = 2.6
"""A sentence is left out that sounds so much less like the words than the nearest one does."""

FARTHEST_PER_PHONE = 0.42
"""The second listener's text brings nothing to the list if it is farther from the grammar than this."""

LOOKED_AT = 80
"""So many sentences are looked at for different meanings."""


_ANSWER = "answer"


class Weighing(Recogniser, Protocol):
    """A recogniser that can also tell how well given sentences fit a sound."""

    def weigh(self, utterance: Utterance, sentences: Sequence[str]) -> tuple[float | None, ...]:
        """Return how well each sentence fits; larger is better, None for what cannot be said."""
        ...


@dataclass(frozen=True)
class Language:
    """What the listeners need to know of the language, as plain functions.

    Attributes
    ----------
    meaning : callable
        Of a sentence of the grammar: equal for sentences that mean the same, None for no sentence.
    said : callable
        The words that were probably said, for a text as free recognisers write.
    written : callable
        A sentence of the grammar as free recognisers write it.
    """

    meaning: Callable[[str], Hashable | None]
    said: Callable[[str], Sequence[str]]
    written: Callable[[str], str]


@dataclass
class _Candidate:
    """A sentence of the common list."""

    words: str
    chosen: bool = False
    first_fit: float | None = None
    second_logprob: float | None = None
    first_distance: float | None = None
    second_distance: float | None = None


class Agreement:
    """A first listener, with or without a second one, as one recogniser.

    Parameters
    ----------
    first : Weighing
        Hears sentences of the grammar only.
    second : WhisperListener or None
    matcher : SoundMatcher
        Of the same grammar.
    language : Language
    """

    def __init__(
        self, first: Weighing, second: WhisperListener | None, matcher: SoundMatcher, language: Language
    ) -> None:
        self._first = first
        self._second = second
        self._matcher = matcher
        self._language = language
        self.name = first.name if second is None else f"{first.name} and {second.name}"
        # each listener has a child process of its own; these threads only wait for them
        self._waiting = ThreadPoolExecutor(2, thread_name_prefix="listeners")

    def prepare(self, utterance: Utterance) -> None:
        """Begin on sound that will probably be the next utterance; returns at once."""
        for listener in (self._first, self._second):
            prepare = getattr(listener, "prepare", None)
            if prepare is not None:
                prepare(utterance)

    def hear(self, utterance: Utterance) -> Heard:
        """List what may have been said, with the evidence; see `Recogniser.hear`.

        Of each meaning one sentence is listed, the first listener's own choice before all others.
        """
        second, pcm = self._second, utterance.pcm
        writing = None if second is None else self._waiting.submit(second.listen, pcm)
        heard = self._first.hear(utterance)
        chosen = heard.hypotheses[0] if heard.hypotheses else None
        listed: dict[Hashable, _Candidate] = {}
        if chosen is not None:
            self._list(chosen.words.split(), listed, own=True)
        self._expect(utterance.expected, chosen, listed)
        own = list(listed.values())
        fits = self._waiting.submit(self._first.weigh, utterance, [c.words for c in own])
        wrote = None if writing is None else writing.result()
        free_text, judged = None, None
        if second is not None and wrote is not None and wrote.text:
            said = self._language.said(wrote.text)
            phones = len(self._matcher.phones(said))
            free_text = FreeText(wrote.text, wrote.total_logprob, wrote.no_speech, phones)
            self._list(said, listed, own=False)
            for answer in utterance.expected:
                listed[_ANSWER, answer].second_distance = self._matcher.apart(said, answer.split())
        candidates = list(listed.values())
        if second is not None and candidates:
            texts = [self._language.written(c.words) for c in candidates]
            judged = self._waiting.submit(second.score, pcm, texts)
        further = candidates[len(own) :]
        more = self._first.weigh(utterance, [c.words for c in further]) if further else ()
        for candidate, fit in zip(candidates, (*fits.result(), *more), strict=True):
            candidate.first_fit = fit
        for candidate, score in zip(candidates, (judged and judged.result()) or (), strict=False):
            candidate.second_logprob = round(score.total_logprob, 3)
        return Heard(utterance, self.name, tuple(_hypothesis(c, chosen) for c in candidates), free_text)

    def close(self) -> None:
        """Let go of both listeners."""
        self._first.close()
        if self._second is not None:
            self._second.close()
        self._waiting.shutdown(wait=True, cancel_futures=True)

    def _expect(
        self, answers: Sequence[str], chosen: Hypothesis | None, listed: dict[Hashable, _Candidate]
    ) -> None:
        """List the answers that the program waits for; alone they are no sentences of the grammar."""
        for answer in answers:
            candidate = listed[_ANSWER, answer] = _Candidate(answer)
            if chosen is not None:
                candidate.first_distance = self._matcher.apart(chosen.words.split(), answer.split())

    def _list(self, words: Sequence[str], listed: dict[Hashable, _Candidate], *, own: bool) -> None:
        """List sentences that sound like `words`, up to `FROM_EACH` of different meaning.

        `own` tells that the words are the first listener's choice.
        """
        farthest = FARTHEST_PER_PHONE * len(self._matcher.phones(words))
        found: set[Hashable] = set()
        for n, near in enumerate(islice(self._matcher.nearest(words, within=WITHIN), LOOKED_AT)):
            if not own and near.distance > farthest:
                break
            meaning = self._language.meaning(near.words)
            if meaning is None or meaning in found:
                continue
            found.add(meaning)
            candidate = listed.setdefault(meaning, _Candidate(near.words))
            if own:
                candidate.chosen = n == 0
                candidate.first_distance = near.distance
            else:
                candidate.second_distance = near.distance
            if len(found) == FROM_EACH:
                break


def _hypothesis(candidate: _Candidate, chosen: Hypothesis | None) -> Hypothesis:
    own = chosen is not None and candidate.chosen
    return Hypothesis(
        words=candidate.words,
        score=chosen.score if own and chosen is not None else None,
        likely_speech_to_us=chosen.likely_speech_to_us if own and chosen is not None else True,
        evidence=Evidence(
            chosen=candidate.chosen,
            first_fit=candidate.first_fit,
            second_logprob=candidate.second_logprob,
            first_distance=candidate.first_distance,
            second_distance=candidate.second_distance,
        ),
    )
