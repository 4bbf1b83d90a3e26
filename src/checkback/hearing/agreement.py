"""Two listeners and one list: every sentence that either may have heard, with the evidence for each.

The first listener knows the grammar and hears nothing else; the second writes down freely what it
heard, which is matched to the grammar by sound.  Both then judge every sentence of the common list on
the sound itself.  Nothing is decided here: how much the evidence is worth, and whether it is enough for
an entry, is said elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from typing import Protocol, runtime_checkable

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

LOOKED_AT = 60
"""So many sentences are looked at for different meanings."""

ALTERNATIVES = 3
"""Further texts that the second listener is asked for when it does not agree with the first."""


_ANSWER = "answer"


@runtime_checkable
class Weighing(Protocol):
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
    style : str
        A short text in that style, before which sentences are judged; a long one costs much time
        and was not better.
    """

    meaning: Callable[[str], Hashable | None]
    said: Callable[[str], Sequence[str]]
    written: Callable[[str], str]
    style: str = ""


@dataclass
class _Candidate:
    """A sentence of the common list."""

    words: str
    chosen: bool = False
    first_fit: float | None = None
    second_logprob: float | None = None
    first_distance: float | None = None
    second_distance: float | None = None


@dataclass
class _List:
    """The common list, by meaning; and the wording nearest to the first listener's choice of each meaning."""

    candidates: dict[Hashable, _Candidate] = field(default_factory=dict)
    wordings: dict[Hashable, str] = field(default_factory=dict)


class Agreement:
    """A first listener, a second one, or both, as one recogniser.

    Parameters
    ----------
    first : Recogniser or None
        Hears sentences of the grammar only.
    second : WhisperListener or None
        Writes freely.
    matcher : SoundMatcher
        Of the same grammar.
    language : Language
    """

    def __init__(
        self,
        first: Recogniser | None,
        second: WhisperListener | None,
        matcher: SoundMatcher,
        language: Language,
    ) -> None:
        self._first = first
        self._second = second
        self._matcher = matcher
        self._language = language
        self.name = " and ".join(listener.name for listener in (first, second) if listener is not None)
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
        heard = () if self._first is None else self._first.hear(utterance).hypotheses
        chosen = heard[0] if heard else None
        listed = _List()
        if chosen is not None:
            self._add(chosen.words.split(), listed, own=True)
        self._expect(utterance.expected, chosen, listed)
        own = list(listed.candidates.values())
        fits = self._waiting.submit(self._fits, utterance, own)
        wrote = None if writing is None else writing.result()
        free_text, judged = None, None
        if second is not None and wrote is not None and wrote.text:
            said = self._language.said(wrote.text)
            phones = len(self._matcher.phones(said))
            free_text = FreeText(wrote.text, wrote.total_logprob, wrote.no_speech, phones)
            nearest = self._add(said, listed, own=False)
            if nearest is None or not nearest.chosen:
                # they do not agree: what else might have been written
                other = second.listen(pcm, alternatives=ALTERNATIVES)
                for text, _ in () if other is None else other.alternatives:
                    self._add(self._language.said(text), listed, own=False)
            for answer in utterance.expected:
                listed.candidates[_ANSWER, answer].second_distance = self._matcher.apart(said, answer.split())
        candidates = list(listed.candidates.values())
        if second is not None and candidates:
            texts = [self._language.written(c.words) for c in candidates]
            judged = self._waiting.submit(second.score, pcm, texts, self._language.style)
        more = self._fits(utterance, candidates[len(own) :])
        for candidate, fit in zip(candidates, (*fits.result(), *more), strict=True):
            candidate.first_fit = fit
        for candidate, score in zip(candidates, (judged and judged.result()) or (), strict=False):
            candidate.second_logprob = round(score.total_logprob, 3)
        return Heard(utterance, self.name, tuple(_hypothesis(c, chosen) for c in candidates), free_text)

    def close(self) -> None:
        """Let go of both listeners."""
        for listener in (self._first, self._second):
            if listener is not None:
                listener.close()
        self._waiting.shutdown(wait=True, cancel_futures=True)

    def _fits(self, utterance: Utterance, candidates: Sequence[_Candidate]) -> tuple[float | None, ...]:
        if not candidates or not isinstance(self._first, Weighing):
            return (None,) * len(candidates)
        return self._first.weigh(utterance, [candidate.words for candidate in candidates])

    def _expect(self, answers: Sequence[str], chosen: Hypothesis | None, listed: _List) -> None:
        """List the answers that the program waits for; alone they are no sentences of the grammar."""
        for answer in answers:
            candidate = listed.candidates[_ANSWER, answer] = _Candidate(answer)
            if chosen is not None:
                candidate.first_distance = self._matcher.apart(chosen.words.split(), answer.split())

    def _add(self, words: Sequence[str], listed: _List, *, own: bool) -> _Candidate | None:
        """List sentences that sound like `words`, up to `FROM_EACH` of different meaning.

        Parameters
        ----------
        words : sequence of str
        listed : _List
        own : bool
            The words are the first listener's choice.

        Returns
        -------
        _Candidate or None
            The nearest one.
        """
        farthest = FARTHEST_PER_PHONE * len(self._matcher.phones(words))
        choice = self._language.meaning(" ".join(words)) if own else None
        if choice is not None:
            # others may be said exactly alike, and would come first
            listed.wordings[choice] = " ".join(words)
        found: dict[Hashable, _Candidate] = {}
        for near in islice(self._matcher.nearest(words, within=WITHIN), LOOKED_AT):
            if not own and (near.distance > farthest or len(found) == FROM_EACH):
                break
            meaning = self._language.meaning(near.words)
            if meaning is None:
                continue
            if own:
                # in these words it was said, if it was said
                listed.wordings.setdefault(meaning, near.words)
            if meaning in found or len(found) == FROM_EACH:
                continue
            wording = listed.wordings.get(meaning, near.words)
            candidate = found[meaning] = listed.candidates.setdefault(meaning, _Candidate(wording))
            if own:
                # of words that are no sentence the nearest one counts as chosen
                candidate.chosen = meaning == choice or (choice is None and len(found) == 1)
                candidate.first_distance = near.distance
            else:
                known = candidate.second_distance
                candidate.second_distance = near.distance if known is None else min(known, near.distance)
        return next(iter(found.values()), None)


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
