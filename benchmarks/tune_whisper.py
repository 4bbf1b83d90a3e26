"""Change the weights of the second listener a little, for call-outs in noise.

    python benchmarks/hearing.py corpus --side dev --count 450
    python benchmarks/tune_whisper.py --whisper FOLDER --corpus CACHE/dev.csv --work WORK --out tuning.npz

Call-outs and talk of the development side are spoken by synthetic voices, put into many kinds of noise and rooms,
and a change of low rank is learnt for every matrix of the model.  Needs torch (BSD), which nothing else here needs,
and about an hour of two processors.  What it wrote for the multilingual base model is part of the program:
`src/checkback/hearing/tuning/whisper-base.npz`.

**All voices are synthetic.**  How well the tuned model hears people is not known.
"""

from __future__ import annotations

import argparse
import json
import math
import queue
import threading
import time
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import tokenizers
import torch
from hearing_corpus import told_plainly
from hearing_corpus.corpus import read, read_manifest
from hearing_corpus.low_rank import ENCODER_RANK, LowRankWhisper, halfway
from hearing_corpus.phone_learning import SHORT_NUMBERS
from hearing_corpus.tuning_sound import Roughener, Said, call_outs, read_said, talk
from torch.nn import functional

from checkback import app
from checkback.errors import UserError
from checkback.hearing.log_mel import FRAMES_PER_S, log_mel
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.whisper import WhisperListener
from checkback.language.phrasebook import Phrasebook
from checkback.listeners import language_of
from checkback.settings import Settings

LONGEST_S = 9.5
LONGEST_FRAMES = 1000
LONGEST_TEXT = 220
"""Longer talk is left out."""

PROMPTED_SHARE = 0.3
"""Of the examples that stand behind the text that the program gives the model when it writes freely."""

SORTED_BATCHES = 4
"""So many batches are drawn at once and sorted by length, so that none has much silence in it."""

HIDDEN_SHARE, MOST_BANDS, MOST_FRAMES = 0.5, 10, 10
"""Of the harder examples, in so many up to two bands and two moments are hidden, each no wider than this."""

NOT_JUDGED = -1


def speech(work: Path, whisper: Path, corpus: Path, book: Phrasebook, **by_whom: float) -> list[Said]:
    """Make the sound files and their texts, or take those that are there."""
    listed = work / f"said-{'-'.join(f'{name}-{wanted:g}' for name, wanted in by_whom.items())}.jsonl"
    if listed.exists():
        return read_said(listed)
    written = language_of(book).written
    measured = {item.said for item in read_manifest(corpus)}
    found = [replace(each, text=written(each.words)) for each in call_outs(work, book, measured, **by_whom)]
    print(f"{len(found)} call-outs", flush=True)
    listener = WhisperListener(whisper, tuned=False)
    try:
        for each in talk(work):
            pcm = np.pad(np.round(read(each.path) * 32_767).astype(np.int16), SAMPLE_RATE_HZ // 4)
            heard = listener.listen(pcm, "")
            if heard is not None and 0 < len(heard.text) < LONGEST_TEXT:
                found.append(replace(each, text=heard.text))
    finally:
        listener.close()
    rows = [{**asdict(each), "path": str(each.path.relative_to(work))} for each in found]
    listed.write_text("".join(f"{json.dumps(row)}\n" for row in rows), encoding="utf-8")
    return found


class Batches:
    """Makes batches in a thread of its own.

    Parameters
    ----------
    sound : Roughener
    tokenizer : Tokenizer
        Of the model.
    prompt : str
        What the program has the model take for what was said before.
    size : int
    seed : int
    harder : bool
        Hide parts of the sound (Park et al., "SpecAugment", 2019).
    """

    def __init__(
        self,
        sound: Roughener,
        tokenizer: tokenizers.Tokenizer,
        prompt: str,
        size: int,
        seed: int,
        *,
        harder: bool = False,
    ) -> None:
        self._sound, self._tokenizer, self._size, self._harder = sound, tokenizer, size, harder
        self._rng = np.random.default_rng(seed)
        number = tokenizer.token_to_id
        self._begin = [
            number(f"<|{name}|>") for name in ("startoftranscript", "en", "transcribe", "notimestamps")
        ]
        self._end = number("<|endoftext|>")
        self._nobody = number("<|nospeech|>") or number("<|nocaptions|>")
        self._before = [number("<|startofprev|>"), *self._pieces(prompt)]
        self._made: queue.Queue[tuple[torch.Tensor, torch.Tensor, torch.Tensor]] = queue.Queue(6)
        threading.Thread(target=self._run, daemon=True).start()

    def next(self) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Return features, pieces of text, and what is to follow each of them or `NOT_JUDGED`."""
        return self._made.get()

    def _pieces(self, text: str) -> list[int]:
        return list(self._tokenizer.encode(f" {text.strip()}", add_special_tokens=False).ids)

    def _run(self) -> None:
        while True:
            some = [self._sound.draw() for _ in range(self._size * SORTED_BATCHES)]
            some = sorted(
                (each for each in some if len(each[0]) < LONGEST_S * SAMPLE_RATE_HZ), key=lambda e: len(e[0])
            )
            batches = [some[n : n + self._size] for n in range(0, len(some), self._size)]
            for n in self._rng.permutation(len(batches)):
                self._made.put(self._batch(batches[n]))

    def _batch(
        self, some: list[tuple[np.ndarray, Said | None]]
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        rng = self._rng
        longest_s = max(len(pcm) for pcm, _ in some) / SAMPLE_RATE_HZ
        context_s = max(longest_s + rng.uniform(0.3, 0.9), float(rng.integers(3, 6)))
        frames = min(2 * math.ceil(context_s * FRAMES_PER_S / 2), LONGEST_FRAMES)
        rows = [self._row(None if said is None else said.text) for _, said in some]
        length = max(len(pieces) for pieces, _ in rows)
        tokens = np.full((len(rows), length), self._end)
        wanted = np.full((len(rows), length), NOT_JUDGED)
        for n, (pieces, follows) in enumerate(rows):
            tokens[n, : len(pieces)], wanted[n, : len(follows)] = pieces, follows
        mel = np.stack([self._hidden(log_mel(pcm, frames)) for pcm, _ in some])
        return torch.tensor(mel), torch.tensor(tokens), torch.tensor(wanted)

    def _hidden(self, mel: np.ndarray) -> np.ndarray:
        rng = self._rng
        if not self._harder or rng.random() >= HIDDEN_SHARE:
            return mel
        mel = mel.copy()
        instead = mel.mean()
        for axis, most in ((0, MOST_BANDS), (1, MOST_FRAMES)):
            for _ in range(int(rng.integers(0, 3))):
                wide = int(rng.integers(1, most + 1))
                start = int(rng.integers(0, mel.shape[axis] - wide))
                np.moveaxis(mel, axis, 0)[start : start + wide] = instead
        return mel

    def _row(self, text: str | None) -> tuple[list[int], list[int]]:
        before = self._before if self._rng.random() < PROMPTED_SHARE else []
        skipped = [NOT_JUDGED] * len(before)
        if text is None:
            return [*before, self._begin[0]], [*skipped, self._nobody]
        pieces = self._pieces(text)
        judged = [self._begin[1], NOT_JUDGED, NOT_JUDGED, *pieces, self._end]
        return [*before, *self._begin, *pieces], [*skipped, *judged]


def learn(model: LowRankWhisper, batches: Batches, steps: int, rate: float, out: Path) -> None:
    """Learn the change, and write it every hundred steps."""
    learnt = [each for each in model.parameters() if each.requires_grad]
    optimiser = torch.optim.AdamW(learnt, lr=rate, weight_decay=0.01, betas=(0.9, 0.98))
    began_s, losses = time.monotonic(), []
    for step in range(steps):
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1, (step + 1) / 40) * (0.5 + 0.5 * math.cos(math.pi * step / steps))
        mel, tokens, wanted = batches.next()
        judged = wanted != NOT_JUDGED
        with torch.autocast("cpu", dtype=torch.bfloat16, enabled=SHORT_NUMBERS):
            states = model.decode(model.encode(mel), tokens)
            logits = model.logits(states[judged]).float()
        loss = functional.cross_entropy(logits, wanted[judged], reduction="sum") / len(mel)
        optimiser.zero_grad()
        (loss / 8).backward()
        torch.nn.utils.clip_grad_norm_(learnt, 1.0)
        optimiser.step()
        losses.append(float(loss.detach()))
        if step % 10 == 9:
            took_s = time.monotonic() - began_s
            print(f"step {step + 1}: {np.mean(losses[-50:]):.3f} nats a sentence, {took_s:.0f} s", flush=True)
        if step % 100 == 99 or step == steps - 1:
            model.write(out)


def main() -> None:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--whisper", type=Path, required=True, help="folder of the multilingual base model")
    parser.add_argument("--corpus", type=Path, required=True, help="manifest of the development side")
    parser.add_argument("--work", type=Path, required=True, help="folder for the sound files")
    parser.add_argument("--out", type=Path, required=True, help="the change is written here")
    parser.add_argument("--begin-with", type=Path, help="a change that this program wrote, to go on from")
    parser.add_argument(
        "--halfway", action="store_true", help="write what is halfway from there to what was learnt"
    )
    parser.add_argument("--rank", type=int, default=ENCODER_RANK, help="of the changes in the encoder")
    parser.add_argument("--accents", action="store_true", help="other engines and strong accents too")
    parser.add_argument("--harder", action="store_true", help="in more noise, and with parts hidden")
    parser.add_argument("--many", action="store_true", help="many speakers of Kokoro instead of one")
    parser.add_argument("--share", type=float, default=1.0, help="of what the speakers of Kokoro say")
    parser.add_argument("--steps", type=int, default=700)
    parser.add_argument("--batch", type=int, default=12)
    parser.add_argument("--rate", type=float, default=8e-4)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--threads", type=int, default=2)
    options = parser.parse_args()
    if options.halfway and options.begin_with is None:
        raise UserError("--halfway needs --begin-with: the change that it is half of the way from.")
    torch.set_num_threads(options.threads)
    torch.manual_seed(1)
    book = app.load_book(Settings())
    items = speech(
        options.work,
        options.whisper,
        options.corpus,
        book,
        accents=options.accents,
        many=options.many,
        share=options.share,
    )
    tokenizer = tokenizers.Tokenizer.from_file(str(options.whisper / "tokenizer.json"))
    batches = Batches(
        Roughener(items, options.seed, many=options.many, share=options.share, harder=options.harder),
        tokenizer,
        book.file.writes_like,
        options.batch,
        options.seed + 1,
        harder=options.harder,
    )
    model = LowRankWhisper(options.whisper / "model.bin", options.rank)
    if options.begin_with is not None:
        model.begin_with(options.begin_with, same_rank=options.halfway)
    learn(model, batches, options.steps, options.rate, options.out)
    if options.halfway:
        halfway(options.begin_with, options.out, options.out)


if __name__ == "__main__":
    told_plainly(main)
