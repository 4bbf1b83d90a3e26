"""Hears a corpus with one set-up and keeps everything that was found, so that it can be judged again."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from checkback.hearing.recogniser import (
    SAMPLE_RATE_HZ,
    Evidence,
    FreeText,
    Heard,
    Hypothesis,
    Recogniser,
    Utterance,
)
from hearing_corpus.corpus import CHATTER_FAMILY, NOT_MEANT, Item, read
from hearing_corpus.trial import Cut, Goal, Room, Verdict, Way, cut, verdict


@dataclass(frozen=True)
class Piece:
    """An utterance as it was heard.

    Attributes
    ----------
    heard : Heard
        Its utterance has no sound any more.
    length_s : float
        Length of the sound.
    hear_s, cpu_s : float
        Time from the end of the utterance until it was heard, and processor time of all processes for it.
    behind_s : float
        Time from the end of speech to when the end-pointer gave the utterance away; only where it is
        known when speech ended.
    """

    heard: Heard
    length_s: float
    hear_s: float
    cpu_s: float
    behind_s: float


@dataclass
class Trial:
    """One sound file and what became of it.

    Attributes
    ----------
    way : {"pedal", "open room"}
    context : str
        What was called out before, a key of `CONTEXTS`.
    clear : bool
        Whether the words need no question when they are heard without fault.
    pieces : list of Piece
    length_s : float
        Length of the sound file.
    verdict : str or None
        None for chatter, of which nothing is right.
    decide_s : float
        Time of the loop for the last piece.
    outcomes : list of dict
        Result, reason, words and reply of each piece, and the kinds of what was written.
    """

    item: Item
    way: Way
    context: str
    clear: bool
    pieces: list[Piece]
    length_s: float
    verdict: Verdict | None = None
    decide_s: float = 0.0
    outcomes: list[dict[str, Any]] = field(default_factory=list)

    @property
    def chatter(self) -> bool:
        """Whether nothing in it was meant for the program."""
        return self.item.family in NOT_MEANT


@dataclass(frozen=True)
class Memory:
    """Resident memory in MB: of the listeners' processes, and of this one at its most."""

    listeners_mb: float
    own_peak_mb: float


def memory() -> Memory:
    """Return the memory in use now."""
    children = sum(child.memory_info().rss for child in psutil.Process().children(recursive=True))
    return Memory(children / 1e6, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3)


def listener_processes() -> frozenset[int]:
    """Return the process ids of the listeners; one that was started again has another."""
    return frozenset(child.pid for child in psutil.Process().children(recursive=True))


def _cpu_s(processes: Sequence[psutil.Process]) -> float:
    total = time.process_time()
    for process in processes:
        try:
            times = process.cpu_times()
        except psutil.NoSuchProcess:
            continue
        total += times.user + times.system
    return total


def _silent(utterance: Utterance) -> Utterance:
    return Utterance(
        np.zeros(0, np.int16), utterance.started_s, utterance.ended_s, utterance.held, utterance.clipped
    )


def hear(
    folder: Path,
    items: Iterable[Item],
    way: Way,
    recogniser: Recogniser,
    room: Room,
    *,
    at_once: bool = False,
) -> list[Trial]:
    """Hear sound files one after the other.

    Parameters
    ----------
    folder : Path
        That of the manifest.
    items : iterable of Item
    way : {"pedal", "open room"}
        Chatter is always heard with an open room, and what is no speech with the pedal held.
    recogniser : Recogniser
    room : Room
    at_once : bool
        Do not begin in the pauses at the pace of speech; times are then longer than those of the program.
    """
    trials = []
    processes = psutil.Process().children(recursive=True)
    for item in items:
        sound = read(folder / item.path)
        chatter = item.family in NOT_MEANT
        how: Way = ("open room" if item.family == CHATTER_FAMILY else "pedal") if chatter else way
        goal = None if chatter else room.goal(item.said)
        pieces = []
        for each in cut(item, sound, how):
            cpu_s = _cpu_s(processes)
            if not at_once:
                _begin_early(recogniser, each)
            began_s = time.perf_counter()
            heard = recogniser.hear(each.utterance)
            hear_s = time.perf_counter() - began_s
            pieces.append(
                Piece(
                    replace(heard, utterance=_silent(each.utterance)),
                    len(each.utterance.pcm) / SAMPLE_RATE_HZ,
                    hear_s,
                    _cpu_s(processes) - cpu_s,
                    max(0.0, each.at_s - item.end_s) if item.end_s > 0 and not chatter else 0.0,
                )
            )
        context = "start of the case" if goal is None else goal.context
        trials.append(
            Trial(
                item,
                how,
                context,
                goal is None or goal.clear,
                pieces,
                len(sound) / SAMPLE_RATE_HZ,
            )
        )
        judge(trials[-1], room, goal)
    return trials


def _begin_early(recogniser: Recogniser, cut: Cut) -> None:
    """Let the recogniser begin while somebody speaks, as the program does, and wait until the utterance is over."""
    if not cut.begun:
        return
    late_s = time.perf_counter() - cut.begun[0][0]
    for at_s, how, utterance in cut.begun:
        time.sleep(max(0.0, at_s + late_s - time.perf_counter()))
        if (begin := getattr(recogniser, how, None)) is not None:
            begin(utterance)
    time.sleep(max(0.0, cut.at_s + late_s - time.perf_counter()))


def judge(trial: Trial, room: Room, goal: Goal | None = None) -> None:
    """Let the loop decide about what was heard, and tell what became of it."""
    if goal is None and not trial.chatter:
        goal = room.goal(trial.item.said)
    decided = []
    # each sentence of chatter comes to a fresh case, so that one does not make the next one possible
    heard = [piece.heard for piece in trial.pieces]
    for group in [[each] for each in heard] if trial.chatter else [heard]:
        decided += room.decided(trial.context, group)
    outcomes = [outcome for outcome, _ in decided]
    trial.decide_s = decided[-1][1] if decided else 0.0
    trial.outcomes = [
        {
            "result": outcome.result,
            "reason": outcome.reason,
            "words": outcome.words,
            "reply": outcome.reply,
            "written": [entry.body.kind for entry in outcome.entries],
            "certainty": outcome.entries[0].certainty if outcome.entries else None,
        }
        for outcome in outcomes
    ]
    trial.verdict = None if goal is None else verdict(goal, outcomes)


# --- kept on disk ---------------------------------------------------------------------------------


def as_json(trial: Trial, meaning: Callable[[str], Hashable | None]) -> dict[str, Any]:
    """Return a trial as plain data, each hypothesis marked whether it means what was said.

    Parameters
    ----------
    trial : Trial
    meaning : callable
        Of a sentence; equal for sentences that mean the same.
    """
    said = meaning(trial.item.said) if trial.item.said else None
    data = asdict(trial)
    for piece in data["pieces"]:
        utterance = piece["heard"]["utterance"]
        del utterance["pcm"]
        for hypothesis in piece["heard"]["hypotheses"]:
            hypothesis["right"] = said is not None and meaning(hypothesis["words"]) == said
    return data


def _evidence(data: dict[str, Any]) -> Evidence:
    """Read evidence; of a version that counted no phones none can be made."""
    return Evidence(**data | {"phones": data["phones"]})


def from_json(data: dict[str, Any]) -> Trial:
    """Read what `as_json` wrote."""
    pieces = []
    for piece in data["pieces"]:
        heard = piece["heard"]
        hypotheses = tuple(
            Hypothesis(
                each["words"],
                each["score"],
                each["likely_speech_to_us"],
                None if each["evidence"] is None else _evidence(each["evidence"]),
            )
            for each in heard["hypotheses"]
        )
        spoken = {key: value for key, value in heard["utterance"].items() if key != "expected"}
        pieces.append(
            Piece(
                Heard(
                    Utterance(np.zeros(0, np.int16), **spoken),
                    heard["recogniser"],
                    hypotheses,
                    None if heard["free_text"] is None else FreeText(**heard["free_text"]),
                    called=heard["called"],
                    stands_out_db=heard["stands_out_db"],
                ),
                *(piece[key] for key in ("length_s", "hear_s", "cpu_s", "behind_s")),
            )
        )
    plain = {key: value for key, value in data.items() if key not in ("item", "pieces")}
    return Trial(item=Item(**data["item"]), pieces=pieces, **plain)
