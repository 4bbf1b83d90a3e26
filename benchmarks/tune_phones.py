"""Learn which phones the tuned second listener hears in each frame.

    python benchmarks/tune_whisper.py ... --work WORK    # makes the sounds and their list
    python benchmarks/tune_phones.py --whisper FOLDER --said WORK/said-....jsonl --corpus CACHE/dev.csv \
        --out src/checkback/hearing/tuning/whisper-base-phones.npz

The call-outs and the talk of that tuning, and sentences of any words of English, are put into many kinds of noise and
rooms, half of them into more noise, at other paces and with other tones, and heard by the half that hears, as it was
tuned; it stays so.  Behind it a small network learns to tell the phones.  Needs torch (BSD), and ttspico for sentences
that are not made yet; how long it takes is in docs/hearing.md.  **Has to be made anew whenever the tuning of the
second listener is.**

All voices are synthetic.  Nothing of the test side takes part, and of the development side neither the sentences
that are measured nor the voices that are held back.
"""

from __future__ import annotations

import argparse
import hashlib
import math
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import torch
from hearing_corpus import told_plainly
from hearing_corpus.any_words import said_of_all_kinds
from hearing_corpus.phone_learning import SHORT_NUMBERS, Example, Mean, Spoken, drawn, learn, padded, write
from hearing_corpus.tuning_sound import Said, with_harder
from torch import nn
from torch.nn import functional

from checkback.errors import UserError
from checkback.hearing.ctc import BLANK
from checkback.hearing.log_mel import log_mel
from checkback.hearing.recogniser import Pcm
from checkback.hearing.whisper import check_model_folder
from checkback.hearing.whisper_encoder import SoundEncoder
from checkback.hearing.whisper_engine import TUNED_CONTEXT_S, TUNING, context_frames, encoded_frames
from checkback.hearing.whisper_file import Array, changed

INNER = 256
"""Width of the layers."""

DROPPED = 0.1
WARM_UP_STEPS = 100
PIECE = 100
"""So many sounds are heard at once by a process."""

_mine: dict[str, Any] = {}
"""What a process keeps."""


def tuned(whisper: Path) -> bytes:
    """Return the model with its tuning.

    Raises
    ------
    UserError
        If the folder holds no model, or one that the tuning is not for.
    """
    check_model_folder(whisper)
    model = changed((whisper / "model.bin").read_bytes(), TUNING)
    if model is None:
        raise UserError(f"The tuning is for the multilingual base model, and {whisper} holds another one.")
    return model


def _begin(said: list[Said], model: bytes, seed: int, share: float) -> None:
    """Make what a process of the pool needs."""
    _mine.update(encode=SoundEncoder(model, 1), sounds=with_harder(said, seed, share), seed=seed)


def _hear(piece: int) -> list[Example]:
    sound, encode = _mine["sounds"][piece % 2], _mine["encode"]
    # the same in whichever process it is heard
    sound.begin_anew("phones", _mine["seed"], piece)

    def heard(pcm: Pcm) -> Array:
        encoded: Array = encode(log_mel(pcm, context_frames(len(pcm), TUNED_CONTEXT_S)))
        return encoded[: encoded_frames(len(pcm))]

    return drawn(sound, PIECE, heard)


class Phones(nn.Module):
    """The network of `checkback.hearing.phone_posteriors`."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = nn.Conv1d(width, INNER, 3, padding=1)
        self.second = nn.Conv1d(INNER, INNER, 3, padding=1)
        self.last = nn.Linear(INNER, BLANK + 1)

    def forward(self, heard: torch.Tensor, _: torch.Tensor) -> torch.Tensor:
        """Return the scores of each phone: (batch, frames, width) to (batch, frames, phones)."""
        first = functional.gelu(self.first(self._some(heard).transpose(1, 2)))
        second = first + functional.gelu(self.second(self._some(first)))
        last: torch.Tensor = self.last(self._some(second.transpose(1, 2)))
        return last

    def _some(self, x: torch.Tensor) -> torch.Tensor:
        """Leave some of it out while it learns, others each time."""
        return functional.dropout(x, DROPPED, self.training)


def main() -> None:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--whisper", type=Path, required=True, help="folder of the multilingual base model")
    parser.add_argument("--said", type=Path, required=True, help="the list that tune_whisper.py made")
    parser.add_argument("--corpus", type=Path, required=True, help="manifest of the development side")
    parser.add_argument("--out", type=Path, required=True, help="what was learnt is written here")
    parser.add_argument("--share", type=float, default=0.75, help="that of the list")
    parser.add_argument("--count", type=int, default=15_000, help="sounds to learn from")
    parser.add_argument("--rounds", type=int, default=10)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--rate", type=float, default=1.5e-3)
    parser.add_argument("--seed", type=int, default=51)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    torch.set_num_threads(options.processes)
    torch.manual_seed(options.seed)
    examples: list[Example] = []
    # first what tells at once whether it can be learnt at all
    model = tuned(options.whisper)
    begun = (said_of_all_kinds(options.said, options.corpus), model, options.seed, options.share)
    with ProcessPoolExecutor(options.processes, initializer=_begin, initargs=begun) as pool:
        for some in pool.map(_hear, range(math.ceil(options.count / PIECE))):
            examples += some
            if len(examples) % 1000 == 0:
                print(f"{len(examples)} sounds heard", flush=True)
    network = Phones(examples[0][0].shape[1])
    mean = Mean(network)
    steps = options.rounds * math.ceil(len(examples) / options.batch)
    learn(
        network, examples, padded, Spoken(options.seed), steps=steps, batch=options.batch, rate=options.rate,
        warm_up=WARM_UP_STEPS, seed=options.seed, short_numbers=SHORT_NUMBERS, after=mean.take,
    )  # fmt: skip
    behind = hashlib.sha256(TUNING.read_bytes()).hexdigest()
    write(options.out, mean.state, behind=np.array(behind))


if __name__ == "__main__":
    told_plainly(main)
