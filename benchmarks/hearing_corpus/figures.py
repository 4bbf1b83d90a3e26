"""Trials become figures: shares with what chance leaves open, times, and the errors by kind."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

import numpy as np
from statsmodels.stats.proportion import proportion_confint

from hearing_corpus.corpus import DIGITS_FAMILY
from hearing_corpus.measure import Trial
from hearing_corpus.trial import VERDICTS

CONFIDENCE = 0.95


def interval(count: int, of: int) -> tuple[float, float]:
    """Return the 95 % interval of a share, by Wilson's method.

    Source: E. B. Wilson, Journal of the American Statistical Association 22 (1927), 209-212, as
    implemented in statsmodels.
    """
    low, high = proportion_confint(count, of, alpha=1 - CONFIDENCE, method="wilson")
    return float(low), float(high)


def share(count: int, of: int) -> str:
    """Write a share with its interval, in percent."""
    if of == 0:
        return "-"
    low, high = interval(count, of)
    return f"{count / of:.1%} ({100 * low:.1f}-{100 * high:.1f})"


def by_condition(trials: Iterable[Trial]) -> dict[str, list[Trial]]:
    """Sort call-outs by condition; digits spoken by people stand apart."""
    found: dict[str, list[Trial]] = defaultdict(list)
    for trial in trials:
        if not trial.chatter:
            digits = trial.item.family == DIGITS_FAMILY
            found[f"{DIGITS_FAMILY}, {trial.item.condition}" if digits else trial.item.condition].append(
                trial
            )
    return dict(found)


def call_outs(trials: Sequence[Trial]) -> str:
    """Write a table of what became of call-outs, by condition."""
    lines = [
        "| condition | call-outs | accepted right | asked | accepted wrong | ignored |",
        "|---|---|---|---|---|---|",
    ]
    unclear: Counter[str] = Counter()
    for condition, found in by_condition(trials).items():
        clear = [trial for trial in found if trial.clear]
        count = Counter(trial.verdict for trial in clear)
        cells = [share(count[name], len(clear)) for name in VERDICTS]
        lines.append(f"| {condition} | {len(clear)} | {' | '.join(cells)} |")
        unclear.update(str(trial.verdict) for trial in found if not trial.clear)
    if unclear:
        told = ", ".join(f"{unclear[name]} {name}" for name in VERDICTS if name != "right")
        lines.append(f"\nAmbiguous or against the case, so that asking is right: {told}.")
    return "\n".join(lines)


def by_voice(trials: Sequence[Trial]) -> str:
    """Write the share of accepted right by voice, over all conditions."""
    count: dict[str, list[bool]] = defaultdict(list)
    for trial in trials:
        if not trial.chatter and trial.clear:
            count[trial.item.voice].append(trial.verdict == "right")
    return "; ".join(f"{voice} {np.mean(right):.0%}" for voice, right in sorted(count.items()))


def talk(trials: Sequence[Trial]) -> str:
    """Write what was made of talk with an open room, and of other sounds with the pedal held."""
    lines = []
    found: dict[str, list[Trial]] = defaultdict(list)
    for trial in trials:
        if trial.chatter:
            found[trial.item.condition].append(trial)
    for condition, files in found.items():
        hours = sum(trial.length_s for trial in files) / 3600
        results = Counter(outcome["result"] for trial in files for outcome in trial.outcomes)
        # with an attention word most are not
        decoded = sum(
            bool(piece.heard.hypotheses or piece.heard.free_text) for trial in files for piece in trial.pieces
        )
        lines.append(
            f"{'talk' if files[0].way == 'open room' else 'no speech'}, {condition}, {files[0].way}, {hours * 60:.1f} min: {results.total()} utterances, {decoded} decoded, "
            f"{results['accepted']} false entries or answers ({results['accepted'] / hours:.1f} an hour), "
            f"{results['asked']} questions ({results['asked'] / hours:.1f} an hour)"
        )
    return "\n".join(lines)


def times(trials: Sequence[Trial]) -> str:
    """Write how long decisions take, and the real-time factor."""
    spoken = [trial for trial in trials if not trial.chatter and trial.pieces]
    if not spoken:
        return "nothing was heard"
    deciding = [trial.pieces[-1].hear_s + trial.decide_s for trial in spoken]
    ending = [trial.pieces[-1].behind_s + late_s for trial, late_s in zip(spoken, deciding, strict=True)]
    pieces = [piece for trial in trials for piece in trial.pieces]
    length_s = sum(piece.length_s for piece in pieces)

    def told(values: Sequence[float]) -> str:
        return f"median {np.median(values):.2f} s, 95th percentile {np.percentile(values, 95):.2f} s"

    return (
        f"from the cut to the decision: {told(deciding)}; from the end of speech: {told(ending)}; "
        f"real-time factor {sum(piece.hear_s for piece in pieces) / length_s:.3f} "
        f"(processor time {sum(piece.cpu_s for piece in pieces) / length_s:.3f})"
    )


def errors(trials: Sequence[Trial], verdicts: Sequence[str], most: int) -> str:
    """List call-outs that were not accepted rightly, by verdict and by the words that differ."""
    kinds: dict[tuple[str, str], list[str]] = defaultdict(list)
    for trial in trials:
        if trial.chatter or not trial.clear or trial.verdict not in verdicts:
            continue
        words = " / ".join(outcome["words"] for outcome in trial.outcomes)
        reasons = ", ".join(dict.fromkeys(o["reason"] for o in trial.outcomes if o["reason"]))
        free = " / ".join(p.heard.free_text.text for p in trial.pieces if p.heard.free_text is not None)
        kinds[trial.verdict, _differing(trial.item.said, words) or reasons].append(
            f"{trial.item.condition}, {trial.item.voice}: {trial.item.said!r} -> {words!r}"
            + (f" [{free}]" if free else "")
            + (f" ({reasons})" if reasons else "")
        )
    lines = []
    for (result, kind), examples in sorted(kinds.items(), key=lambda each: (each[0][0], -len(each[1]))):
        lines.append(f"{result}: {len(examples)} x {kind}")
        lines += [f"    {example}" for example in examples[:most]]
    return "\n".join(lines)


def _differing(said: str, heard: str) -> str:
    """Return the words in which two sentences differ, without what they begin and end with."""
    one, other = said.split(), heard.split()
    while one and other and one[0] == other[0]:
        one, other = one[1:], other[1:]
    while one and other and one[-1] == other[-1]:
        one, other = one[:-1], other[:-1]
    return "" if one == other else f"{' '.join(one)!r} heard as {' '.join(other)!r}"
