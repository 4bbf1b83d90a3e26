"""Change the acoustic model of the first listener a little, for call-outs in noise.

    python benchmarks/tune_pocketsphinx.py --said WORK/said-....jsonl --out src/checkback/hearing/tuning/en-us.npz

Takes the sound files that `tune_whisper.py` made.  The states of each clean sound are found by alignment; then the
same sound is heard in noise and rooms, as the program hears it, and its frames count for those states
("single-pass retraining").  Means, variances and weights are drawn towards what was heard: J.-L. Gauvain and C.-H.
Lee, "Maximum a posteriori estimation for multivariate Gaussian mixture observations of Markov chains", IEEE
Transactions on Speech and Audio Processing 2 (1994), 291-298.

**All voices are synthetic.**  How much people gain is not known.
"""

from __future__ import annotations

import argparse
import random
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from hearing_corpus import told_plainly
from hearing_corpus.tuning_sound import Roughener, Said, read_said

from checkback import app
from checkback.hearing import pocketsphinx as first_listener
from checkback.hearing.acoustic_learning import FRAME, Frames, Listening, learnt
from checkback.hearing.acoustic_model import read_model, write_change
from checkback.hearing.pronunciations import pronunciations_of
from checkback.listeners import grammar_of
from checkback.settings import Settings

EDGE_S = 0.3
"""Silence before and behind the clean sound, in which its states are found."""

UNGATED_SHARE = 0.25
"""Of the examples: heard without the gate."""

_mine: dict[str, Any] = {}
"""What a process keeps."""


def _begin(said: list[Said], seed: int) -> None:
    """Make what a process of the pool needs."""
    folder = tempfile.TemporaryDirectory()
    grammar = grammar_of(app.load_book(Settings()))
    known = pronunciations_of(grammar.words, grammar.pronunciations)
    _mine.update(
        folder=folder,
        listening=Listening(known, Path(folder.name)),
        sound=Roughener(said, seed, many=True),
        seed=seed,
    )


def _frames(item: Said, draws: int) -> list[Frames]:
    """Return what is heard of one sound, in so many ways."""
    listening, sound = _mine["listening"], _mine["sound"]
    rng = random.Random(f"{item.path.name}")
    # the same in whichever process it is heard, and other noise for every sound
    sound.begin_anew(_mine["seed"], item.path.name)
    states = listening.states(sound.clean(item, EDGE_S), item.words)
    if states is None:
        return []
    found = []
    for _ in range(draws):
        before = round(rng.uniform(0.05, 0.6) * 100)
        pcm = sound.rough(item, (before * FRAME, round(rng.uniform(0.05, 0.7) * 100) * FRAME))
        features = listening.features(pcm, gated=rng.random() >= UNGATED_SHARE)
        at = np.clip(np.arange(len(features)) - before + round(EDGE_S * 100), 0, len(states) - 1)
        found.append(Frames(features.astype(np.float16), states[at]))
    return found


def heard(said: list[Said], utterances: int, draws: int, seed: int, processes: int) -> list[Frames]:
    """Return frames of so many sounds, of each voice about as many."""
    rng = random.Random(seed)
    calls = [each for each in said if not each.talk]
    shuffled = sorted(rng.sample(calls, len(calls)), key=lambda each: each.voice)
    by_voice = [list(group) for _, group in groupby(shuffled, lambda each: each.voice)]
    in_turn = [
        each
        for n in range(max(map(len, by_voice)))
        for group in by_voice
        if n < len(group)
        for each in (group[n],)
    ]
    with ProcessPoolExecutor(processes, initializer=_begin, initargs=(said, seed)) as pool:
        work = pool.map(partial(_frames, draws=draws), in_turn[:utterances], chunksize=8)
        return [frames for some in work for frames in some]


def main() -> None:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--said", type=Path, required=True, help="the list that tune_whisper.py made")
    parser.add_argument("--frames", type=Path, help="keep what was heard in this file, or take it from there")
    parser.add_argument("--out", type=Path, required=True, help="the change is written here")
    parser.add_argument("--utterances", type=int, default=4000)
    parser.add_argument("--draws", type=int, default=3, help="ways in which each is heard")
    parser.add_argument(
        "--belief", type=float, default=20.0, help="frames' worth of belief in the model as it is"
    )
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--seed", type=int, default=41)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    folder = first_listener.ACOUSTIC_MODEL
    if options.frames is not None and options.frames.exists():
        with np.load(options.frames) as kept:
            all_frames = [Frames(kept["features"], kept["states"])]
    else:
        said = read_said(options.said)
        all_frames = heard(said, options.utterances, options.draws, options.seed, options.processes)
        if options.frames is not None:
            np.savez(
                options.frames,
                features=np.concatenate([each.features for each in all_frames]),
                states=np.concatenate([each.states for each in all_frames]),
            )
    was = model = read_model(folder)
    for _ in range(options.rounds):
        model = learnt(was, model, all_frames, options.belief)
    write_change(folder, model, options.out)


if __name__ == "__main__":
    told_plainly(main)
