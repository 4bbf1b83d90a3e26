"""Learn the network that tells which phones are heard, whatever else listens.

    python benchmarks/tune_whisper.py ... --work WORK    # makes the sounds and their list
    python benchmarks/learn_phones.py --said WORK/said-....jsonl --corpus CACHE/dev.csv \
        --out src/checkback/hearing/tuning/phones.npz

The call-outs and the talk with which the second listener was tuned, and sentences of any words of English, are put into
many kinds of noise and rooms, half of them into more noise, at other paces and with other tones, and a network learns
to tell their phones (`checkback.hearing.phone_network`).  Needs torch (BSD); how long it takes is in docs/hearing.md.

All voices are synthetic.  Nothing of the test side takes part, and of the development side neither the sentences
that are measured nor the voices that are held back.
"""

from __future__ import annotations

import argparse
import math
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import torch
from hearing_corpus import told_plainly
from hearing_corpus.any_words import said_of_all_kinds
from hearing_corpus.phone_learning import (
    SHORT_NUMBERS,
    Example,
    Mean,
    Spoken,
    by_steps,
    drawn,
    learn,
    read_state,
    write,
)
from hearing_corpus.tuning_sound import Said, with_harder
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional

from checkback.hearing.ctc import BLANK
from checkback.hearing.phone_network import BANDS, STEP, spectrogram

WIDTH, INNER = 256, 512
"""Of the layers, and of what is between the two matrices of each."""

SEEN = 11
"""So many frames a layer sees at once."""

PIECE = 300
"""So many sounds are roughened at once by a process."""

DROPPED = 0.1
SMALL = 0.3
"""Of what a layer adds at first."""

HIDDEN, WIDEST = 3, 12
"""Fewer than so many times, fewer than so many bands and moments of a sound are hidden (Park et al., "SpecAugment",
2019)."""

_mine: dict[str, Any] = {}
"""What a process keeps."""


def _begin(said: list[Said], seed: int, share: float) -> None:
    """Make what a process of the pool needs."""
    _mine.update(sounds=with_harder(said, seed, share), seed=seed)


def _hear(piece: int) -> list[Example]:
    sound = _mine["sounds"][piece % 2]
    # the same in whichever process it is made
    sound.begin_anew("phone network", _mine["seed"], piece)
    return drawn(sound, PIECE, spectrogram)


class Network(nn.Module):
    """The network of `checkback.hearing.phone_network`."""

    def __init__(self, depth: int) -> None:
        super().__init__()
        self.first = nn.Conv1d(BANDS, WIDTH, 2 * STEP + 1, stride=STEP)
        self.first_norm = nn.LayerNorm(WIDTH)
        self.deep = nn.ModuleList(
            nn.Conv1d(WIDTH, WIDTH, SEEN, padding=SEEN // 2, groups=WIDTH) for _ in range(depth)
        )
        self.norm = nn.ModuleList(nn.LayerNorm(WIDTH) for _ in range(depth))
        self.up = nn.ModuleList(nn.Linear(WIDTH, INNER) for _ in range(depth))
        self.down = nn.ModuleList(nn.Linear(INNER, WIDTH) for _ in range(depth))
        for each in self.down:
            each.weight.data *= SMALL
            nn.init.zeros_(each.bias)
        self.last_norm = nn.LayerNorm(WIDTH)
        self.last = nn.Linear(WIDTH, BLANK + 1)

    def forward(self, heard: torch.Tensor, no_filling: torch.Tensor) -> torch.Tensor:
        """Return the scores of each phone: (batch, frames of 10 ms, bands) to (batch, frames, phones + 1)."""
        edges = (self.first.kernel_size[0] - STEP) // 2
        x = functional.pad(heard, (0, 0, edges, edges + STEP - 1)).transpose(1, 2)
        x = functional.relu(self.first(x).transpose(1, 2))[:, : no_filling.shape[1]]
        x = self.first_norm(x) * no_filling
        for deep, norm, up, down in zip(self.deep, self.norm, self.up, self.down, strict=True):
            inner = functional.relu(up(norm(deep(x.transpose(1, 2)).transpose(1, 2))))
            x = (x + down(functional.dropout(inner, DROPPED, self.training))) * no_filling
        scores: torch.Tensor = self.last(self.last_norm(x))
        return scores


class Hiding:
    """Hides parts of a spectrogram, others each time."""

    def __init__(self, seed: int) -> None:
        self._rng = np.random.default_rng(seed)

    def __call__(self, heard: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the spectrogram with bands and moments at their mean."""
        for axis in (0, 1):
            for _ in range(int(self._rng.integers(HIDDEN))):
                wide = int(self._rng.integers(1, WIDEST))
                start = int(self._rng.integers(0, max(heard.shape[axis] - wide, 1)))
                np.moveaxis(heard, axis, 0)[start : start + wide] = 0.0
        return heard


def main() -> None:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--said", type=Path, required=True, help="the list that tune_whisper.py made")
    parser.add_argument("--corpus", type=Path, required=True, help="manifest of the development side")
    parser.add_argument("--begin-with", type=Path, help="what this program wrote, to go on from")
    parser.add_argument("--out", type=Path, required=True, help="what was learnt is written here")
    parser.add_argument("--share", type=float, default=0.75, help="that of the list")
    parser.add_argument("--count", type=int, default=50_000, help="sounds to learn from")
    parser.add_argument("--steps", type=int, default=6_000)
    parser.add_argument("--depth", type=int, default=7, help="layers")
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    torch.set_num_threads(options.processes)
    torch.manual_seed(options.seed)
    examples: list[Example] = []
    begun = (said_of_all_kinds(options.said, options.corpus), options.seed, options.share)
    with ProcessPoolExecutor(options.processes, initializer=_begin, initargs=begun) as pool:
        for some in pool.map(_hear, range(math.ceil(options.count / PIECE))):
            examples += some
            if len(examples) % 6000 == 0:
                print(f"{len(examples)} sounds made", flush=True)
    model = Network(options.depth)
    if options.begin_with is not None:
        model.load_state_dict(read_state(options.begin_with))
    mean = Mean(model)
    learn(
        model, examples, lambda sounds: by_steps(sounds, STEP), Spoken(options.seed), steps=options.steps,
        batch=options.batch, rate=options.rate, warm_up=300, seed=options.seed, short_numbers=SHORT_NUMBERS,
        altered=Hiding(options.seed), after=mean.take,
    )  # fmt: skip
    write(options.out, mean.state)


if __name__ == "__main__":
    told_plainly(main)
