"""Two listeners and one list: every sentence that either may have heard, with the evidence for each.

The first listener knows the grammar and hears nothing else; the second writes down freely what it
heard, which is matched to the grammar by sound.  Both then judge every sentence of the common list on
the sound itself.  Where the first one is alone, a small network tells which phones are heard in each
frame, and every sentence is laid over them.  Nothing is decided here: how much the evidence is worth, and
whether it is enough for an entry, is said elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Hashable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any, Protocol, runtime_checkable

import numpy as np

from checkback.hearing import whisper
from checkback.hearing.ctc import PhoneAligner, likeliest_phones
from checkback.hearing.level import stands_out_db
from checkback.hearing.phone_network import PhoneNetwork
from checkback.hearing.phonetic import SoundMatcher
from checkback.hearing.recogniser import (
    SAMPLE_RATE_HZ,
    Evidence,
    Fit,
    FreeText,
    Heard,
    Hypothesis,
    Pcm,
    Recogniser,
    Utterance,
    Wordings,
    worded,
)
from checkback.hearing.whisper import Judged, Taken, WhisperListener
from checkback.hearing.whisper_file import Array

FROM_EACH = 5
"""Sentences of different meaning that match the words of each listener by sound."""

WITHIN = 2.6
"""A sentence is left out that sounds so much less like the words than the nearest one does."""

FARTHEST_PER_PHONE = 0.42
"""The second listener's text brings nothing to the list if it is farther from the grammar than this."""

LOOKED_AT = 60
"""So many sentences are looked at for different meanings."""

FITS_PHONES = -8.0
"""If no sentence fits the phones so well that are heard, in natural logarithms, others are looked for that sound like
these phones: with a second listener one call-out in three at 5 dB and one in nine at 15 dB, with the first one alone one
in two at 5 dB and one in four in quiet (development side)."""

LOOKED_AT_FOR_PHONES = 80
"""So many are then looked at; the `FROM_EACH` that fit best are listed."""

MOST_FOUND = 10
"""Sentences of different meaning that the second listener finds if it may write nothing else."""

MOST_WEIGHED, MOST_WEIGHED_ALONE = 3, 4
"""Of the sentences, the first listener judges so many: its own choice, and the likeliest beside a second listener, or
those that fit the network's phones best without one, and the answers that are waited for.  More took time and brought
nothing."""

LIKELY_WITHIN = 8.0
"""And none that the second one finds so much less probable than the likeliest, in natural logarithms; nor does that
one judge such a sentence more exactly."""

EDGES_S = 0.65
"""Of the sound, so much is not speech: what lies between the pedal and the words."""

SHORTEST_S = 0.2

_ANSWER = "answer"


@runtime_checkable
class Weighing(Protocol):
    """A recogniser that can also tell how well given sentences fit a sound."""

    def weigh(self, utterance: Utterance, sentences: Sequence[Wordings]) -> tuple[Fit | None, ...]:
        """Return how well each sentence fits, in its best wording; None for what cannot be said."""
        ...


@runtime_checkable
class Following(Protocol):
    """A recogniser that searches while somebody speaks."""

    def follow(self, so_far: Utterance) -> None:
        """Search what is known of an utterance; returns at once."""
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
    spoken : callable
        Ways to say what the second listener found, from the numbers of its words.
    alike : callable
        From the numbers of its words, those of sentences that are written nearly so, 3.0 for 3, and said otherwise.
        They may mean the same.
    """

    meaning: Callable[[str], Hashable | None]
    said: Callable[[str], Sequence[str]]
    written: Callable[[str], str]
    spoken: Callable[[Sequence[int]], Wordings]
    alike: Callable[[Sequence[int]], Iterable[Sequence[int]]]


@dataclass
class _Candidate:
    """A sentence of the common list."""

    words: str
    wordings: Wordings = ()
    also: list[Wordings] = field(default_factory=list)
    """Other ways to say it: of what else the second listener found, and of 3.0 for 3."""
    written: str = ""
    answer: bool = False
    evidence: Evidence = field(default_factory=Evidence)

    def add(self, **evidence: Any) -> None:
        self.evidence = replace(self.evidence, **evidence)

    @property
    def ways(self) -> list[Wordings]:
        """All that is known of how it may be said."""
        return [self.wordings or worded(self.words), *self.also]

    def take_wording(self, words: str) -> None:
        """Let the first listener, if it is still to be asked, choose between its words and others that mean the same."""
        if not self.wordings and not self.answer and words != self.words:
            self.wordings = ((tuple(self.words.split()), tuple(words.split())),)

    def fit_phones(self, logprob: float | None) -> None:
        """Take how well it fits the phones, said in one of its ways."""
        known = self.evidence.phones_logprob
        if logprob is not None and (known is None or logprob > known):
            self.add(phones_logprob=logprob)

    def judge(self, found: Judged) -> None:
        """Take what the second listener makes of it."""
        self.written = found.text
        self.add(second_logprob=round(sum(found.logprobs), 3))
        if found.blank_logprobs:
            gains = [here - blank for here, blank in zip(found.logprobs, found.blank_logprobs, strict=True)]
            self.add(
                blank_logprob=round(sum(found.blank_logprobs), 3),
                # without the first piece: how a text begins says little
                worst_logprob=round(min(gains[1:], default=0.0), 3),
            )

    @property
    def likely(self) -> float:
        """How probable the second listener finds it, and not anyway."""
        likely = self.evidence.likely
        return -math.inf if likely is None else likely


_Asked = tuple[list[_Candidate], Future[tuple[Fit | None, ...]]]
"""Sentences that the first listener is asked about, and its answer."""


class _Ahead:
    """What is heard of a sound that will probably be the next utterance."""

    def __init__(self, utterance: Utterance, begin: Callable[[_Ahead], Future[Heard | None]]) -> None:
        self.utterance = utterance
        self.dropped = False
        self.heard = begin(self)

    def is_for(self, utterance: Utterance) -> bool:
        mine = self.utterance
        return (utterance.expected, utterance.held) == (mine.expected, mine.held) and np.array_equal(
            utterance.pcm, mine.pcm
        )


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
    aligner : PhoneAligner
        With the pronunciations of its words.
    language : Language
    network : PhoneNetwork or None
        Tells the phones that are heard in each frame, where there is no second listener or it does not answer.
    """

    def __init__(
        self,
        first: Recogniser | None,
        second: WhisperListener | None,
        matcher: SoundMatcher,
        aligner: PhoneAligner,
        language: Language,
        network: PhoneNetwork | None = None,
    ) -> None:
        self._first = first
        self._second = second
        self._matcher = matcher
        self._aligner = aligner
        self._language = language
        self._network = network
        self.name = " and ".join(listener.name for listener in (first, second) if listener is not None)
        # each listener has a child process of its own; these threads only wait for them
        self._waiting = ThreadPoolExecutor(6, thread_name_prefix="listeners")
        # apart, so that they always find threads to wait for
        self._beginning = ThreadPoolExecutor(2, thread_name_prefix="listeners, ahead")
        self._ahead: _Ahead | None = None

    def follow(self, so_far: Utterance) -> None:
        """Let the first listener follow what is being said, if it can; returns at once."""
        if isinstance(self._first, Following):
            self._first.follow(so_far)

    def prepare(self, utterance: Utterance) -> None:
        """Begin on sound that will probably be the next utterance; returns at once.

        May be called again and again while the pause lasts.
        """
        ahead = self._ahead
        if ahead is not None and (ahead.utterance.pcm is utterance.pcm or not ahead.heard.done()):
            return
        # whole before anybody sees it: `hear` is called by another thread
        self._ahead = _Ahead(utterance, lambda new: self._beginning.submit(self._listen, utterance, new))

    def hear(self, utterance: Utterance) -> Heard:
        """List what may have been said, with the evidence; see `Recogniser.hear`.

        Of each meaning one sentence is listed, the first listener's own choice before all others.
        """
        ahead, self._ahead = self._ahead, None
        if ahead is not None and ahead.is_for(utterance):
            heard = ahead.heard.result()
        else:
            if ahead is not None:
                ahead.dropped = True
            heard = self._listen(utterance, None)
        assert heard is not None
        return replace(heard, utterance=utterance)

    def _listen(self, utterance: Utterance, ahead: _Ahead | None) -> Heard | None:
        """Return what may have been said, or None if that is not wanted any more."""
        second, pcm = self._second, utterance.pcm
        taking = None if second is None else self._waiting.submit(second.take, pcm)
        telling = None if self._network is None or taking else self._waiting.submit(self._network, pcm)
        alone = second is None
        heard = () if self._first is None else self._first.hear(utterance).hypotheses
        if ahead is not None and ahead.dropped:
            return None
        chosen = next(iter(heard), None)
        listed = _List()
        fits: list[_Asked] = []
        choice = None if chosen is None else self._language.meaning(chosen.words)
        if chosen is not None and choice is not None:
            # before those near it are looked for, which takes a while
            own = Evidence(chosen=True, first_distance=0.0, found_by_first=True)
            listed.candidates[choice] = _Candidate(chosen.words, evidence=own)
            fits.append(self._begin_weighing(utterance, list(listed.candidates.values()), fits, alone=alone))
        near_listed = chosen is not None and (taking is None or choice is None)
        if chosen is not None and near_listed:
            self._add(chosen.words.split(), listed, own=True)
        self._expect(utterance.expected, chosen, listed)
        if telling is not None:
            self._hear_phones(telling.result(), chosen, listed)
        fits.append(self._begin_weighing(utterance, list(listed.candidates.values()), fits, alone=alone))
        # what they find is put down by this thread alone
        taken = Taken() if taking is None else taking.result()
        found, wrote = taken.found, taken.wrote
        if ahead is not None and ahead.dropped:
            return None
        # What the search of a tuned second listener did not find is far from likely, but what the first one chose
        # counts.
        enough = bool(found) and wrote is not None and wrote.tuned
        if chosen is not None and not enough and not near_listed:
            self._add(chosen.words.split(), listed, own=True)
        self._found(found, listed)
        free_text, said = self._read(wrote)
        if said and not enough:
            self._add(said, listed, own=False)
        if taken.phones is not None:
            self._fit_phones(taken.phones, listed)
        if wrote is None and not alone and self._network is not None:
            # it has failed, and what the first one heard must not stand on less than if there were no second one
            alone = True
            self._hear_phones(self._network(pcm), chosen, listed)
        candidates = list(listed.candidates.values())
        found_by_search = {id(each) for each in candidates if each.evidence.second_logprob is not None}
        fits.append(self._begin_weighing(utterance, candidates, fits, alone=alone))
        # Meanwhile the second one judges more exactly the likeliest that its search found, and for the first time what
        # else counts.
        least = _least_likely(candidates)
        judging = self._begin_judging(
            pcm, [each for each in candidates if each.likely > least or _matters(each) or not enough]
        )
        # the second one works while these are looked for
        new = () if taken.phones is None else self._find_by_phones(taken.phones, listed)
        for each in new:
            each.add(found_by_second=True)
        candidates.extend(new)
        also_judging = self._begin_judging(pcm, new)
        _put_down(judging)
        _put_down(also_judging)
        fits.append(self._begin_weighing(utterance, candidates, fits, alone=alone, without=found_by_search))
        if said:
            # while the first listener weighs
            for candidate in candidates:
                self._compare(candidate, said)
        for some, answer in fits:
            for candidate, fit in zip(some, answer.result(), strict=False):
                if fit is None:
                    continue
                candidate.add(first_fit=fit.fit)
                if self._language.meaning(fit.words) == self._language.meaning(candidate.words):
                    # in these words it was said, if it was said; others may have another meaning beside
                    candidate.words = fit.words
        for candidate in candidates:
            self._time(candidate, len(pcm))
        return Heard(
            utterance,
            self.name,
            tuple(_hypothesis(c, chosen) for c in candidates),
            free_text,
            stands_out_db=stands_out_db(pcm),
        )

    def _read(self, wrote: whisper.FreeText | None) -> tuple[FreeText | None, Sequence[str]]:
        """Return what the second listener wrote, and the words that were probably said for it."""
        if wrote is None:
            return None, ()
        said = self._language.said(wrote.text) if wrote.text else ()
        phones = len(self._matcher.phones(said)) if said else 0
        return FreeText(wrote.text, wrote.total_logprob, wrote.no_speech, phones, tuned=wrote.tuned), said

    def _fit_phones(self, phones: Array, listed: _List) -> None:
        """Put down how well the sentences fit the phones that were heard."""
        pairs = [(each, way) for each in listed.candidates.values() for way in each.ways]
        found = self._aligner.logprobs(phones, [way for _, way in pairs])
        for (candidate, _), logprob in zip(pairs, found, strict=True):
            candidate.fit_phones(logprob)

    def _hear_phones(self, phones: Array, chosen: Hypothesis | None, listed: _List) -> None:
        """Put down what the network's phones say, where the first listener is alone."""
        self._fit_phones(phones, listed)
        # where that one did not answer, nothing else could speak against what is found
        if chosen is not None:
            for each in self._find_by_phones(phones, listed):
                each.add(found_by_first=True)

    def _find_by_phones(self, phones: Array, listed: _List) -> Sequence[_Candidate]:
        """List sentences that sound like the phones that were heard, if no other fits these well, and return them.

        In noise, what was said may have been given up early in a search that goes word by word.

        Parameters
        ----------
        phones : ndarray of float32, shape (frames, phones + 1)
        listed : _List
        """
        known = [each.evidence.phones_logprob for each in listed.candidates.values()]
        if max((each for each in known if each is not None), default=-math.inf) > FITS_PHONES:
            return ()
        near = self._matcher.nearest_phones(likeliest_phones(phones), within=WITHIN)
        sentences = [each.words for each in islice(near, LOOKED_AT_FOR_PHONES)]
        laid = self._aligner.logprobs(phones, [worded(each) for each in sentences])
        fitting = sorted(
            ((-logprob, each) for logprob, each in zip(laid, sentences, strict=True) if logprob is not None)
        )
        new: dict[Hashable, _Candidate] = {}
        for unlike, words in fitting:
            meaning = self._language.meaning(words)
            if meaning is None:
                continue
            if (candidate := listed.candidates.get(meaning)) is not None:
                candidate.take_wording(words)
                candidate.fit_phones(-unlike)
            elif meaning in new or len(new) < FROM_EACH:
                # the first wording of a meaning fits best
                new.setdefault(meaning, _Candidate(words)).fit_phones(-unlike)
        listed.candidates.update(new)
        return list(new.values())

    def _compare(self, candidate: _Candidate, said: Sequence[str]) -> None:
        """Put down how far a sentence that the second listener has judged is from what it wrote."""
        if candidate.evidence.second_logprob is not None:
            # the text has numerals, of which nobody knows in which form they were said
            alike = self._language.said(candidate.written)
            near = min(self._matcher.apart(said, each) for each in (candidate.words.split(), alike))
            candidate.add(second_distance=near)

    def _time(self, candidate: _Candidate, samples: int) -> None:
        """Put down how long a sentence is, and how fast it would have been said."""
        speech_s = max(samples / SAMPLE_RATE_HZ - EDGES_S, SHORTEST_S)
        phones = len(self._matcher.phones(candidate.words.split()))
        candidate.add(phones=phones, phones_per_s=round(phones / speech_s, 2))

    def _begin_weighing(
        self,
        utterance: Utterance,
        candidates: Sequence[_Candidate],
        begun: Sequence[_Asked],
        *,
        alone: bool,
        without: Collection[int] = (),
    ) -> _Asked:
        """Ask the first listener about the sentences that it should judge and was not asked about yet.

        Parameters
        ----------
        utterance : Utterance
        candidates : sequence of _Candidate
        begun : sequence of _Asked
            What it was asked before.
        alone : bool
            There is no second listener, or it did not answer.
        without : collection of int
            It is not asked about those with these ids.
        """
        known = {*without, *(id(each) for some, _ in begun for each in some)}
        new = [each for each in _worth_weighing(candidates, alone) if id(each) not in known]
        # as they are known now: others may be found while it weighs
        ways = [each.wordings or worded(each.words) for each in new]
        return new, self._waiting.submit(self._fits, utterance, ways)

    def _found(self, found: Sequence[Judged], listed: _List) -> None:
        """List what the second listener found, up to `MOST_FOUND` of different meaning."""
        known: set[Hashable] = set()
        for each in found:
            for way in each.ways:
                wordings = self._language.spoken(way)
                plain = _plain(wordings)
                meaning = self._language.meaning(plain)
                if meaning is None:
                    continue
                if meaning in known:
                    listed.candidates[meaning].also.append(wordings)
                    continue
                if len(known) == MOST_FOUND:
                    return
                known.add(meaning)
                words = listed.wordings.get(meaning, plain)
                candidate = listed.candidates.setdefault(meaning, _Candidate(words))
                if candidate.evidence.found_by_first:
                    candidate.also.append(wordings)
                else:
                    candidate.wordings = wordings
                for other in self._language.alike(way):
                    said_so = self._language.spoken(other)
                    if self._language.meaning(_plain(said_so)) == meaning:
                        candidate.also.append(said_so)
                candidate.add(found_by_second=True)
                candidate.judge(each)

    def close(self) -> None:
        """Let go of both listeners."""
        for listener in (self._first, self._second):
            if listener is not None:
                listener.close()
        for threads in (self._beginning, self._waiting):
            threads.shutdown(wait=True, cancel_futures=True)

    def _fits(self, utterance: Utterance, ways: Sequence[Wordings]) -> tuple[Fit | None, ...]:
        """Let the first listener judge sentences."""
        if not ways or not isinstance(self._first, Weighing):
            return ()
        return self._first.weigh(utterance, ways)

    def _begin_judging(
        self, pcm: Pcm, candidates: Sequence[_Candidate]
    ) -> tuple[list[_Candidate], Future[tuple[Judged, ...]]] | None:
        """Ask the second listener about sentences."""
        if self._second is None or not candidates:
            return None
        texts = [each.written or self._language.written(each.words) for each in candidates]
        return list(candidates), self._waiting.submit(self._second.judge, pcm, texts)

    def _expect(self, answers: Sequence[str], chosen: Hypothesis | None, listed: _List) -> None:
        """List the answers that the program waits for, of which some are sentences of the grammar too."""
        for answer in answers:
            # once only: between two of the same words the probability would be shared out
            meaning = self._language.meaning(answer)
            candidate = listed.candidates.setdefault(
                (_ANSWER, answer) if meaning is None else meaning, _Candidate(answer)
            )
            candidate.words, candidate.answer = answer, True
            candidate.add(found_by_first=True, found_by_second=True)
            if chosen is not None:
                candidate.add(first_distance=self._matcher.apart(chosen.words.split(), answer.split()))

    def _add(self, words: Sequence[str], listed: _List, *, own: bool) -> None:
        """List sentences that sound like `words`, up to `FROM_EACH` of different meaning.

        Parameters
        ----------
        words : sequence of str
        listed : _List
        own : bool
            The words are the first listener's choice.
        """
        farthest = math.inf if own else FARTHEST_PER_PHONE * len(self._matcher.phones(words))
        choice = self._language.meaning(" ".join(words)) if own else None
        if choice is not None:
            # others may be said exactly alike, and would come first
            listed.wordings[choice] = " ".join(words)
        found: dict[Hashable, _Candidate] = {}
        for near in islice(self._matcher.nearest(words, within=WITHIN, farthest=farthest), LOOKED_AT):
            if not own and len(found) == FROM_EACH:
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
                candidate.add(
                    chosen=meaning == choice or (choice is None and len(found) == 1),
                    first_distance=near.distance,
                    found_by_first=True,
                )
            else:
                candidate.add(found_by_second=True)


def _plain(wordings: Wordings) -> str:
    """Return a sentence, each part in its first form."""
    return " ".join(word for forms in wordings for word in forms[0])


def _least_likely(candidates: Sequence[_Candidate]) -> float:
    """Return how likely a sentence has to be for the second listener to be looked at more closely."""
    return max((each.likely for each in candidates), default=-math.inf) - LIKELY_WITHIN


def _worth_weighing(candidates: Sequence[_Candidate], alone: bool) -> list[_Candidate]:
    """Return the sentences that the first listener is asked about; see `MOST_WEIGHED`."""
    if alone:
        answers = sum(each.answer for each in candidates)
        return sorted(candidates, key=_by_phones)[: answers + MOST_WEIGHED_ALONE]
    least = _least_likely(candidates)
    near = [each for each in candidates if each.evidence.chosen or each.likely > least]
    return sorted(near, key=lambda each: (not each.evidence.chosen, -each.likely))[:MOST_WEIGHED]


def _matters(candidate: _Candidate) -> bool:
    """Return whether a sentence counts even if the second listener did not find it."""
    found = candidate.evidence
    return candidate.answer or found.chosen


def _by_phones(candidate: _Candidate) -> tuple[bool, float, float]:
    """Order sentences for the first listener alone: what counts anyway, then what fits the phones best, or is near."""
    found = candidate.evidence
    fits = -math.inf if found.phones_logprob is None else found.phones_logprob
    far = math.inf if found.first_distance is None else found.first_distance
    return not (candidate.answer or found.chosen), -fits, far


def _put_down(judging: tuple[list[_Candidate], Future[tuple[Judged, ...]]] | None) -> None:
    if judging is not None:
        asked, answer = judging
        for candidate, found in zip(asked, answer.result(), strict=False):
            candidate.judge(found)


def _hypothesis(candidate: _Candidate, chosen: Hypothesis | None) -> Hypothesis:
    own = chosen is not None and candidate.evidence.chosen
    return Hypothesis(
        words=candidate.words,
        score=chosen.score if own and chosen is not None else None,
        likely_speech_to_us=chosen.likely_speech_to_us if own and chosen is not None else True,
        evidence=candidate.evidence,
    )
