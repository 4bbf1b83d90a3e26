r"""How sure the program is of what it heard, and how sure it has to be.

The listeners bring sentences with evidence (`checkback.hearing.agreement`); here the evidence becomes
probabilities, and the probabilities a decision.  Every constant below the line was made by

    python benchmarks/hearing.py measure --side dev --setup "pocketsphinx and whisper" --whisper FOLDER \
        --conditions quiet,mix15,mix10,mix5 --limit 150 --no-talk --json dev.json
    python benchmarks/hearing.py calibrate dev.json

on the development side of the benchmark (synthetic voices, stand-ins for people); the thresholds and
priors are choices, and their effect is what the same benchmark measures on the test side.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from checkback.hearing.recogniser import Heard

Risk = Literal["low", "usual", "high"]

_FIT_SPAN = 2.5
_LOGPROB_SPAN = 14.0
_DISTANCE_SPAN = 3.5
_NO_DISTANCE = 3.5


@dataclass(frozen=True)
class Weights:
    """What each piece of evidence is worth, in natural logarithms of odds.

    Those of the first group count for a sentence: that the first listener chose it, how much worse it
    fits than the best one (first listener's fit, second listener's log probability, phone edits).
    Those of the second group count for "none of these": the first listener's score a frame, how much
    more probable the second listener's free text is than the best sentence, how far it is from the
    grammar, whether it takes the sound for speech, and whether the listeners disagree.
    """

    chosen: float
    fit: float
    logprob: float
    distance: float
    none: float
    none_score: float
    none_free: float
    none_far: float
    none_no_speech: float
    none_disagree: float


@dataclass(frozen=True)
class Features:
    """The evidence on one scale: of each sentence, and of the utterance as a whole.

    Attributes
    ----------
    sentences : tuple of tuple of float
        Of each sentence: chosen, fit, logprob, distance; each at least 0 but `chosen`, larger is
        worse for all but `chosen`.
    none : tuple of float
        1, score, free, far, no speech, disagreement.
    """

    sentences: tuple[tuple[float, float, float, float], ...]
    none: tuple[float, float, float, float, float, float]


def features(heard: Heard) -> Features:
    """Put the evidence of an utterance on one scale.

    Parameters
    ----------
    heard : Heard
        Each of its hypotheses has evidence.
    """
    evidence = [h.evidence for h in heard.hypotheses]
    fits = [e.first_fit for e in evidence if e is not None and e.first_fit is not None]
    logprobs = [e.second_logprob for e in evidence if e is not None and e.second_logprob is not None]
    best_fit, best_logprob = max(fits, default=0.0), max(logprobs, default=0.0)
    distances = [e.second_distance for e in evidence if e is not None and e.second_distance is not None]
    nearest = min(distances, default=None)
    rows = []
    for each in evidence:
        assert each is not None
        fit = _FIT_SPAN if each.first_fit is None else min(best_fit - each.first_fit, _FIT_SPAN)
        if not fits:
            fit = 0.0
        logprob = 0.0
        if logprobs:
            logprob = (
                _LOGPROB_SPAN
                if each.second_logprob is None
                else min(best_logprob - each.second_logprob, _LOGPROB_SPAN)
            )
        distance = 0.0
        if nearest is not None:
            away = _NO_DISTANCE if each.second_distance is None else each.second_distance - nearest
            distance = min(away, _DISTANCE_SPAN)
        rows.append((float(each.chosen), fit, logprob, distance))
    free = heard.free_text
    score = next((h.score for h in heard.hypotheses if h.score is not None), None)
    by_fit = max(range(len(evidence)), key=lambda n: -rows[n][1], default=None)
    by_logprob = max(range(len(evidence)), key=lambda n: -rows[n][2], default=None)
    return Features(
        tuple(rows),
        (
            1.0,
            0.0 if score is None else -40.0 - score,
            0.0 if free is None or not logprobs else min(max(free.logprob - best_logprob, 0.0), 20.0),
            0.0 if free is None or nearest is None else min(nearest / max(free.phones, 1), 1.0),
            0.0 if free is None else free.no_speech,
            float(bool(logprobs) and by_fit != by_logprob),
        ),
    )


def weigh(found: Features, weights: Weights, priors: Sequence[float]) -> tuple[tuple[float, ...], float]:
    """Return the probability of each sentence and of none.

    Parameters
    ----------
    found : Features
    weights : Weights
    priors : sequence of float
        What else speaks for each sentence, as a factor of its odds.
    """
    logits = [
        weights.chosen * chosen - weights.fit * fit - weights.logprob * logprob - weights.distance * distance
        + math.log(prior)
        for (chosen, fit, logprob, distance), prior in zip(found.sentences, priors, strict=True)
    ]  # fmt: skip
    terms = (
        weights.none, weights.none_score, weights.none_free, weights.none_far,
        weights.none_no_speech, weights.none_disagree,
    )  # fmt: skip
    logits.append(sum(weight * value for weight, value in zip(terms, found.none, strict=True)))
    top = max(logits)
    odds = [math.exp(logit - top) for logit in logits]
    total = sum(odds)
    return tuple(each / total for each in odds[:-1]), odds[-1] / total


def judge(heard: Heard, priors: Sequence[float]) -> tuple[tuple[float, ...], float]:
    """Return the probability of each hypothesis, and that of none of them.

    Parameters
    ----------
    heard : Heard
        Each of its hypotheses has evidence.
    priors : sequence of float
        What else speaks for each, as a factor of its odds: see `PRIOR`.
    """
    weights = TWO_LISTENERS
    if heard.free_text is None:
        weights = ONE_LISTENER
    elif all(h.evidence is None or h.evidence.first_fit is None for h in heard.hypotheses):
        weights = SECOND_ALONE
    return weigh(features(heard), weights, priors)


def only(probabilities: Sequence[float], which: Sequence[bool]) -> tuple[tuple[float, ...], float]:
    """Leave only some sentences: return the probabilities among them, and that it was one of them."""
    together = sum(p for p, kept in zip(probabilities, which, strict=True) if kept)
    left = sum(probabilities)
    if together <= 0.0:
        return tuple(0.0 for _ in probabilities), 0.0
    scale = left / together
    return tuple(p * scale * kept for p, kept in zip(probabilities, which, strict=True)), together


@dataclass(frozen=True)
class Decision:
    """What is to be done about an utterance.

    Attributes
    ----------
    action : {"accept", "which", "say again", "ignore"}
        Take the first of `picks`; ask which of `picks`; ask for it again; say nothing.
    picks : tuple of int
        Places in the list of hypotheses, most probable first.
    certainty : float
        Probability of the first of `picks`, or of the most probable if there are none.
    """

    action: Literal["accept", "which", "say again", "ignore"]
    picks: tuple[int, ...]
    certainty: float


def decide(
    probabilities: Sequence[float], none: float, risks: Sequence[Risk], *, meant_for_us: bool
) -> Decision:
    """Decide from the probabilities.

    Parameters
    ----------
    probabilities : sequence of float
        Of each sentence.
    none : float
        That it was none of them.
    risks : sequence of {"low", "usual", "high"}
        What would be at stake if a sentence were taken wrongly.
    meant_for_us : bool
        Whether it is known that the program was spoken to.
    """
    order = sorted(range(len(probabilities)), key=lambda n: -probabilities[n])
    aside: Literal["say again", "ignore"] = "say again" if meant_for_us else "ignore"
    if not order:
        return Decision(aside, (), 0.0)
    best = order[0]
    certainty = probabilities[best]
    if certainty >= ENOUGH[risks[best]]:
        return Decision("accept", (best,), certainty)
    if not meant_for_us and none > LEAST_FOR_TALK:
        return Decision("ignore", (), certainty)
    likely = tuple(n for n in order[:MOST_ASKED] if probabilities[n] >= LEAST_ASKED)
    if len(likely) > 1 and sum(probabilities[n] for n in likely) >= ENOUGH_TOGETHER:
        return Decision("which", likely, certainty)
    return Decision(aside, (), certainty)


# --- what was measured, and what was chosen ---------------------------------------------------------

ONE_LISTENER = Weights(2.063, 3.368, 0.0, 0.0, 0.275, 0.3, 0.0, 0.0, 0.0, 0.0)

SECOND_ALONE = Weights(0.0, 0.0, 0.324, 1.695, -3.47, 0.0, 0.062, 2.399, 10.046, 0.0)

TWO_LISTENERS = Weights(2.036, 1.115, 0.233, 1.177, -3.148, 0.053, 0.0, 0.726, 8.0, 0.0)

ENOUGH: Mapping[Risk, float] = {"low": 0.75, "usual": 0.84, "high": 0.88}
"""Probability from which a sentence is taken without a question.

Chosen on the development side: from here on, of 148 clear call-outs in each condition, none was taken
wrongly in quiet and in room noise of 15 dB; lower values take more wrongly, higher ones ask much more.
"""

ENOUGH_TOGETHER = 0.90
"""Probability of a few sentences together from which the question is between them."""

LEAST_ASKED = 0.02
"""A sentence less probable than this is not worth a mention in the question."""

MOST_ASKED = 3

LEAST_FOR_TALK = 0.1
"""With nobody known to speak to the program, this probability of "none" is reason enough to stay silent."""

ENOUGH_TO_ATTEND = 0.5
"""Probability that the attention word was said, from which what follows is taken as meant for the program."""

PRIOR: Mapping[str, float] = {"fits": 1.0, "objected": 0.3, "expected": 4.0, "unasked": 0.02}
"""Factors of the odds: what the case allows, what it speaks against, what answers an open question, and what
would answer one that nobody asked."""

RISKS: Mapping[str, Risk] = {
    "drug": "high", "infusion": "high", "deployment": "high", "patient": "high", "device_event": "usual",
    "mark": "low",
}  # fmt: skip
"""What is at stake by kind of entry; others are "usual"."""
