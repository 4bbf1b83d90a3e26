"""From evidence to constants: how much each piece of evidence is worth, and whether the answer is honest."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from checkback.certainty import (
    FOR_SENTENCES,
    PRIOR,
    Features,
    Weights,
    Worth,
    enough,
    features,
    none_prior,
    weigh,
)
from checkback.hearing.recogniser import Evidence, Heard, Hypothesis
from checkback.language.free_text import spoken_words
from checkback.language.phrasebook import Phrasebook
from hearing_corpus.measure import Trial

#: Keeps weights small that the data say little about.
_RIDGE = 2e-3

#: What changes with the noise is learnt from less.
_RIDGE_CLEARER = 4e-3

#: These may be anything; all else speaks one way.
_ANY_SIGN = {"none", "fast"}

#: Noise without speech is written down as what stood in the prompt; the corpus has none of it, so this
#: is a choice.  (Of talk it would be made so large that a call-out of one word suffers.)
_CHOSEN = {"none_no_speech": 8.0}


@dataclass(frozen=True)
class Case:
    """The evidence of one utterance, and the place of the right sentence in the list.

    Attributes
    ----------
    features : Features
    right : int
        -1 for none of them.
    priors : tuple of float
        As the program has them when nothing is asked.
    none_prior : float
        The same for none of them.  The fit leaves it out.
    weight : float
        What it counts for in the fit.
    condition : str
    usual : float
        How probable a sentence has to be for most entries.
    """

    features: Features
    right: int
    priors: tuple[float, ...]
    none_prior: float = 1.0
    weight: float = 1.0
    condition: str = ""
    usual: float = 1.0


def without_first(heard: Heard) -> Heard:
    """Return what would have been listed and found without the first listener."""
    kept = [
        replace(
            h,
            score=None,
            evidence=replace(h.evidence, chosen=False, first_fit=None, first_distance=None),
        )
        for h in heard.hypotheses
        if h.evidence is not None and h.evidence.found_by_second
    ]
    return replace(heard, hypotheses=tuple(kept))


def best_of_first(heard: Heard) -> Heard:
    """Return the first listener's own choice, without any decision on evidence."""
    chosen = [replace(h, evidence=None) for h in heard.hypotheses if h.score is not None]
    return replace(heard, hypotheses=tuple(chosen[:1]), free_text=None)


def best_of_second(heard: Heard, book: Phrasebook) -> Heard:
    """Return the second listener's text, numerals in words, read as if it were a call-out."""
    if heard.free_text is None:
        return replace(heard, hypotheses=())
    words = " ".join(spoken_words(heard.free_text.text, book.file.numbers, book.file.typed))
    return replace(heard, hypotheses=(Hypothesis(words),), free_text=None)


def lacking(heard: Heard, right: int) -> Heard | None:
    """Return what would have been heard if the phrasebook lacked what was said; None if nothing would be listed.

    Where that was what the first listener chose, it would have chosen what fits it best of the others.

    Parameters
    ----------
    heard : Heard
    right : int
        Place of what was said in the list; -1 if it is not there.
    """
    if right < 0 or len(heard.hypotheses) == 1:
        return None
    gone = heard.hypotheses[right]
    left = [h for n, h in enumerate(heard.hypotheses) if n != right]
    best = max(range(len(left)), key=lambda n: _fits_first(left[n]))
    was, new = gone.evidence or Evidence(), left[best].evidence or Evidence()
    left[best] = replace(
        left[best],
        score=gone.score if was.chosen else left[best].score,
        evidence=replace(new, chosen=new.chosen or was.chosen),
    )
    return replace(heard, hypotheses=tuple(left))


def _fits_first(hypothesis: Hypothesis) -> tuple[float, float]:
    evidence = hypothesis.evidence or Evidence()
    fit, likely = (-np.inf if value is None else value for value in (evidence.first_fit, evidence.likely))
    return fit, likely


def cases(
    trials: Sequence[Trial],
    meaning: Callable[[str], Any],
    reduced: Callable[[Heard], Heard] | None,
    talk_weight: float,
) -> list[Case]:
    """Return the evidence of trials with one utterance each, and of every utterance of chatter.

    Parameters
    ----------
    trials : sequence of Trial
    meaning : callable
        Of a sentence; equal for sentences that mean the same.
    reduced : callable or None
        Leaves a listener out.
    talk_weight : float
        What an utterance of chatter counts for, against a call-out.
    """
    return [
        _case(trial, heard, right, meaning, talk_weight if trial.chatter else 1.0)
        for trial, heard, right in _listed(trials, meaning, reduced)
    ]


def lacking_cases(
    trials: Sequence[Trial],
    meaning: Callable[[str], Any],
    reduced: Callable[[Heard], Heard] | None,
    weight: float = 1.0,
) -> list[Case]:
    """Return the evidence of the same call-outs, as if what was said were not in the phrasebook; see `lacking`."""
    return [
        _case(trial, left, -1, meaning, weight)
        for trial, heard, right in _listed(trials, meaning, reduced)
        if (left := lacking(heard, right)) is not None
    ]


def _listed(
    trials: Sequence[Trial], meaning: Callable[[str], Any], reduced: Callable[[Heard], Heard] | None
) -> Iterator[tuple[Trial, Heard, int]]:
    """Yield what was heard, and the place of what was said in the list."""
    for trial in trials:
        if not trial.chatter and len(trial.pieces) != 1:
            continue
        goal = None if trial.chatter else meaning(trial.item.said)
        for piece in trial.pieces:
            heard = piece.heard if reduced is None else reduced(piece.heard)
            if heard.hypotheses:
                meant = [goal is not None and meaning(h.words) == goal for h in heard.hypotheses]
                yield trial, heard, meant.index(True) if any(meant) else -1


def _case(trial: Trial, heard: Heard, right: int, meaning: Callable[[str], Any], weight: float) -> Case:
    priors = tuple(PRIOR["unasked" if is_answer(meaning(h.words)) else "fits"] for h in heard.hypotheses)
    return Case(
        features(heard),
        right,
        priors,
        none_prior(heard),
        weight,
        trial.item.condition,
        enough(heard)["usual"],
    )


def is_answer(readings: Sequence[str] | None) -> bool:
    """Return whether a sentence is nothing but a short answer to a question."""
    return all("role='answer'" in each for each in readings or ())


def fitted(found: Sequence[Case], left_out: frozenset[str]) -> Worth:
    """Return the weights with which the right sentences are most probable.

    Parameters
    ----------
    found : sequence of Case
    left_out : frozenset of str
        Weights that are 0.
    """
    names = [field.name for field in fields(Weights)]
    usual = [n for n, name in enumerate(names) if name not in left_out]
    clearer = [n for n in usual if names[n] not in _CHOSEN]
    # all in one array, filled up with sentences that cannot be
    most = max(len(case.features.sentences) for case in found)
    rows = np.zeros((len(found), most + 1, len(names)))
    blocked = np.ones((len(found), most + 1), bool)
    offsets = np.zeros(blocked.shape)
    for row, mask, offset, case in zip(rows, blocked, offsets, found, strict=True):
        offset[: len(case.priors)] = np.log(case.priors)
        count = len(case.features.sentences)
        row[:count, :FOR_SENTENCES] = case.features.sentences
        row[most, FOR_SENTENCES:] = case.features.none
        mask[:count] = mask[most] = False
    clearness = np.array([case.features.clearness for case in found])
    rows = np.concatenate([rows[..., usual], rows[..., clearer] * clearness[:, None, None]], axis=2)
    right = np.array([most if case.right < 0 else case.right for case in found])
    counts = np.array([case.weight for case in found])
    free = [names[n] for n in usual] + [""] * len(clearer)
    ridge = np.array([0.0 if name in _CHOSEN else _RIDGE if name else _RIDGE_CLEARER for name in free])

    def loss(values: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        logits = np.where(blocked, -np.inf, rows @ values + offsets)
        top = logits.max(axis=1, keepdims=True)
        odds = np.exp(logits - top)
        shares = odds / odds.sum(axis=1, keepdims=True)
        each = np.log(np.maximum(shares[np.arange(len(found)), right], 1e-12))
        wanted = rows[np.arange(len(found)), right] - (shares[..., None] * rows).sum(axis=1)
        total = counts.sum()
        value = -(counts * each).sum() / total + (ridge * values**2).sum()
        slope = -(counts[:, None] * wanted).sum(axis=0) / total + 2 * ridge * values
        return float(value), slope

    bounds = [
        (_CHOSEN.get(name, 0.0), _CHOSEN.get(name)) if name and name not in _ANY_SIGN else (None, None)
        for name in free
    ]
    begin = np.array([_CHOSEN.get(name, 0.5) if name else 0.0 for name in free])
    result = minimize(loss, begin, jac=True, method="L-BFGS-B", bounds=bounds)
    weights = np.zeros((2, len(names)))
    weights[0, usual], weights[1, clearer] = np.split(result.x, [len(usual)])
    return Worth(*(Weights(*(round(float(value), 3) for value in row)) for row in weights))


def as_constant(name: str, worth: Worth) -> str:
    """Return lines of Python for `checkback.certainty`."""

    def told(weights: Weights) -> str:
        given = [(each.name, getattr(weights, each.name)) for each in fields(weights)]
        return f"Weights({', '.join(f'{key}={value}' for key, value in given if value)})"

    return f"{name} = Worth({told(worth.usual)}, {told(worth.clearer)})"


def certainties(found: Sequence[Case], worth: Worth) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return of each utterance the probability of the likeliest sentence, and whether it is right."""
    sure, right = [], []
    for case in found:
        probabilities, _ = weigh(case.features, worth, case.priors, case.none_prior)
        best = int(np.argmax(probabilities))
        sure.append(probabilities[best])
        right.append(best == case.right)
    return np.array(sure), np.array(right)


def reliability_plot(
    path: Path, sets: dict[str, tuple[NDArray[np.float64], NDArray[np.bool_]]], side: str
) -> None:
    """Draw how often the program is right when it is so sure, with 95 % intervals."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot
    from statsmodels.stats.proportion import proportion_confint

    edges = np.array([0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0001])
    figure, (above, below) = pyplot.subplots(
        2, 1, figsize=(6.4, 6.4), height_ratios=(3, 1), sharex=True, layout="constrained"
    )
    above.plot([0, 1], [0, 1], color="0.6", linestyle=":", label="as sure as right")
    for n, (name, (sure, right)) in enumerate(sets.items()):
        which = np.digitize(sure, edges) - 1
        bins = [b for b in range(len(edges) - 1) if (which == b).sum() >= 5]
        x = np.array([sure[which == b].mean() for b in bins])
        y = np.array([right[which == b].mean() for b in bins])
        low, high = np.array(
            [proportion_confint(right[which == b].sum(), (which == b).sum(), method="wilson") for b in bins]
        ).T
        above.errorbar(
            x, y, yerr=np.maximum([y - low, high - y], 0), label=f"{name} ({len(sure)} utterances)",
            marker="os^"[n % 3], color=("0.0", "#0072b2", "#d55e00")[n % 3], capsize=3, linestyle="-",
        )  # fmt: skip
        below.hist(
            sure, bins=np.linspace(0, 1, 21), histtype="step",
            color=("0.0", "#0072b2", "#d55e00")[n % 3], linestyle=("-", "--", "-.")[n % 3],
        )  # fmt: skip
    above.set_ylabel("right")
    above.set_title(f"How often right, when so sure ({side} side, synthetic voices)", fontsize=10)
    above.legend(fontsize=8, loc="upper left")
    below.set_ylabel("utterances")
    below.set_yscale("log")
    below.set_xlabel("certainty")
    figure.savefig(path, dpi=110)
    pyplot.close(figure)
