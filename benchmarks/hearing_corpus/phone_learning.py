"""What it takes to learn which phones are heard: the phones of what is said, and the loop that learns."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional

from checkback import app
from checkback.hearing.ctc import BLANK
from checkback.hearing.phonetic import phone_numbers
from checkback.hearing.pronunciations import every_pronunciation
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm
from checkback.settings import Settings
from hearing_corpus.tuning_sound import Roughener

LONGEST_S = 9.0

OTHER_WAY_SHARE = 0.5
"""So often a word is taken in any of its pronunciations, and else in the first."""

MOST_CHANGE = 20.0
"""A step is made shorter than what its slope asks for beyond this."""

SHORT_NUMBERS = bool(getattr(torch.cpu, "_is_avx512_bf16_supported", lambda: False)())
"""Whether the processor has numbers of 16 bits; where it has not, they take it seventy times as long."""

Example = tuple[NDArray[np.float16], str]
"""What is heard of a sound, shape (frames, width), and the words that are said; none where nobody speaks."""

Together = Callable[[list[NDArray[np.float32]]], tuple[torch.Tensor, torch.Tensor, torch.Tensor]]
"""Puts what is heard of some sounds together: all of it, what is no filling, and how many frames each gives."""


class Spoken:
    """Phones of what is said, drawn anew each time."""

    def __init__(self, seed: int) -> None:
        self._known = every_pronunciation(app.load_book(Settings()).pronunciations)
        self._rng = np.random.default_rng(seed)

    def __call__(self, words: str) -> list[int]:
        """Return the phones of some words."""
        found: list[int] = []
        for word in re.findall(r"[a-z']+", words.lower()):
            ways = phone_numbers(word, self._known)
            any_way = self._rng.random() < OTHER_WAY_SHARE
            found += ways[int(self._rng.integers(len(ways)))] if any_way else ways[0]
        return found


def drawn(sound: Roughener, count: int, heard: Callable[[Pcm], NDArray[np.float32]]) -> list[Example]:
    """Draw so many sounds, none longer than `LONGEST_S`, and hear them."""
    found: list[Example] = []
    while len(found) < count:
        pcm, said = sound.draw()
        if len(pcm) < LONGEST_S * SAMPLE_RATE_HZ:
            found.append((heard(pcm).astype(np.float16), "" if said is None else said.words))
    return found


def padded(sounds: Sequence[NDArray[np.float32]]) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Put some sounds together that give a frame for each of theirs."""
    lengths = torch.tensor([len(each) for each in sounds])
    together = nn.utils.rnn.pad_sequence([torch.from_numpy(each) for each in sounds], batch_first=True)
    return together, _no_filling(lengths), lengths


def _no_filling(lengths: torch.Tensor) -> torch.Tensor:
    """Return 1 where there is a frame and 0 behind it, shape (batch, frames, 1)."""
    return (torch.arange(int(lengths.max()))[None] < lengths[:, None]).float()[..., None]


def by_steps(
    sounds: Sequence[NDArray[np.float32]], step: int
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Put some sounds together that give a frame for every so many of theirs."""
    lengths = torch.tensor([-(-len(each) // step) for each in sounds])
    together = torch.zeros(len(sounds), step * int(lengths.max()), sounds[0].shape[1])
    for row, each in zip(together, sounds, strict=True):
        row[: len(each)] = torch.from_numpy(each)
    return together, _no_filling(lengths), lengths


class Mean:
    """The mean of what a model was of late, which is better than where it ends."""

    def __init__(self, model: nn.Module, most: float = 0.999) -> None:
        self._most, self._steps = most, 0
        self.state = {name: value.clone() for name, value in model.state_dict().items()}

    @torch.no_grad()
    def take(self, model: nn.Module) -> None:
        """Take what the model is now."""
        self._steps += 1
        kept = min(self._most, self._steps / (self._steps + 19))
        for name, value in model.state_dict().items():
            self.state[name].mul_(kept).add_(value, alpha=1 - kept)


def learn(
    model: nn.Module,
    examples: Sequence[Example],
    together: Together,
    spoken: Spoken,
    *,
    steps: int,
    batch: int,
    rate: float,
    warm_up: int,
    seed: int,
    short_numbers: bool = False,
    altered: Callable[[NDArray[np.float32]], NDArray[np.float32]] | None = None,
    after: Callable[[nn.Module], None] = lambda model: None,
) -> None:
    """Learn a network as connectionist temporal classification.

    Parameters
    ----------
    model : Module
        From what `together` returns, but for the lengths, to scores of shape (batch, frames, phones + 1).
    examples : sequence of Example
    together : callable
    spoken : Spoken
    steps, batch : int
    rate : float
        Of the steps, at its highest.
    warm_up : int
        Steps until then.
    seed : int
    short_numbers : bool
        Numbers of 16 bits.
    altered : callable or None
        Alters what is heard of a sound, each time.
    after : callable
        What to do after each step.
    """
    rng = np.random.default_rng(seed)
    optimiser = torch.optim.AdamW(model.parameters(), lr=rate, weight_decay=0.01)
    by_length = sorted(examples, key=lambda each: len(each[0]))
    batches = [by_length[n : n + batch] for n in range(0, len(by_length), batch)]
    rounds = math.ceil(steps / len(batches))
    order = [n for _ in range(rounds) for n in rng.permutation(len(batches))][:steps]
    losses, began_s = list[float](), time.monotonic()
    for step, chosen in enumerate(order):
        sounds = [each.astype(np.float32) for each, _ in batches[chosen]]
        heard, no_filling, lengths = together(sounds if altered is None else list(map(altered, sounds)))
        wanted = [spoken(words) for _, words in batches[chosen]]
        for group in optimiser.param_groups:
            warm = min(1, (step + 1) / warm_up)
            group["lr"] = rate * warm * (0.5 + 0.5 * math.cos(math.pi * step / steps))
        with torch.autocast("cpu", dtype=torch.bfloat16, enabled=short_numbers):
            scores = model(heard, no_filling)
        loss = functional.ctc_loss(
            scores.float().log_softmax(-1).transpose(0, 1),
            torch.tensor([phone for each in wanted for phone in each]),
            lengths,
            torch.tensor([len(each) for each in wanted]),
            blank=BLANK,
            reduction="sum",
            # what is said too fast for its frames
            zero_infinity=True,
        ) / len(sounds)
        optimiser.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), MOST_CHANGE)
        optimiser.step()
        after(model)
        losses.append(float(loss.detach()))
        if step % 100 == 99:
            took_s = time.monotonic() - began_s
            print(
                f"step {step + 1} of {steps}: {np.mean(losses[-100:]):.2f} nats, {took_s:.0f} s", flush=True
            )


def write(path: Path, state: dict[str, torch.Tensor], **more: NDArray[np.generic]) -> None:
    """Write what was learnt, in 16 bits, as the program reads it: `first/weight` for `first.weight`."""
    arrays = {
        name.replace(".", "/"): value.detach().numpy().astype(np.float16) for name, value in state.items()
    }
    np.savez_compressed(path, **more, **arrays)


def read_state(path: Path) -> dict[str, torch.Tensor]:
    """Read what `write` wrote, to go on from it."""
    with np.load(path) as arrays:
        return {
            name.replace("/", "."): torch.from_numpy(arrays[name].astype(np.float32))
            for name in arrays.files
            if "/" in name
        }
