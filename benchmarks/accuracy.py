"""What becomes of call-outs: right, asked, wrong or ignored, from sound to the loop's own decision.

    python benchmarks/accuracy.py [--each 2] [--seed 1] [--show]

Sentences of every family are spoken by synthetic voices, in quiet and in pink noise, cut out by the
end-pointer, decoded over the whole phrasebook and given to the loop with a scratch journal.
**The voices are stand-ins for people: the figures compare versions of the program, and do not
foretell what people get.**

right    the entry is the one that the same words give when they are heard without fault
asked    the program asks instead of recording, or says the question again
wrong    an entry stands that is another one
ignored  it was taken for talk

An ambiguous sentence is asked about when it was heard well; these are counted apart.  The same is
done twice: with an open room, and as if the talk pedal had been held.  Needs the program `flite`.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rejection import CHATTER, FLITE_VOICES, SPEECH_LEVEL, speak

from checkback import app
from checkback.hearing import pocketsphinx
from checkback.hearing.endpointing import BLOCK_SAMPLES, Segmenter
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Heard, Hypothesis, Utterance
from checkback.language.phrasebook import Phrasebook
from checkback.loop import Loop, Outcome
from checkback.record.clock import HandClock
from checkback.record.journal import Journal
from checkback.settings import Settings, grammars_folder
from checkback.speaking.voices import SilentVoice
from checkback.watching.limits import load as load_limits

CONDITIONS = {"quiet": 60.0, "pink 20 dB": 20.0, "pink 10 dB": 10.0}
RESULTS = ("right", "asked", "wrong", "ignored")
AROUND_S = 1.0


@dataclass(frozen=True)
class CallOut:
    """One sentence and the sound of it."""

    family: str
    voice: str
    words: str
    sound: NDArray[np.float64]


def call_outs(book: Phrasebook, each: int, seed: int) -> list[CallOut]:
    """Speak `each` random sentences of every family of events, the voices taking turns."""
    rng = random.Random(seed)
    families = [name for role, name, _ in book.families() if role == "event"]
    drawn = [(name, book.sample(rng, name).words) for name in families for _ in range(each)]
    made = []
    for n, (name, words) in enumerate(drawn):
        voice = FLITE_VOICES[n % len(FLITE_VOICES)]
        made.append(CallOut(name, voice, words, speak(voice, words)))
    return made


def cut(sound: NDArray[np.float64], snr_db: float, noise: np.random.Generator) -> list[Utterance]:
    """Put the sentence into the noise of a room and let the end-pointer cut it out."""
    around = int(AROUND_S * SAMPLE_RATE_HZ)
    sound = np.pad(sound, (around, around + BLOCK_SAMPLES - len(sound) % BLOCK_SAMPLES))
    sound = sound[: len(sound) // BLOCK_SAMPLES * BLOCK_SAMPLES]
    spectrum = np.fft.rfft(noise.standard_normal(len(sound)))
    pink = np.fft.irfft(spectrum / np.sqrt(np.arange(len(spectrum)).clip(1)), len(sound))
    pink *= SPEECH_LEVEL * 10 ** (-snr_db / 20) / np.std(pink)
    pcm = (np.clip(sound + pink, -1, 1) * 32_767).astype(np.int16)
    segmenter = Segmenter()
    utterances = []
    for start in range(0, len(pcm), BLOCK_SAMPLES):
        utterances += segmenter.feed(pcm[start : start + BLOCK_SAMPLES], start / SAMPLE_RATE_HZ)
    return utterances + segmenter.flush()


@contextmanager
def fresh_loop(book: Phrasebook) -> Iterator[Loop]:
    """Open a new case, so that what was heard before plays no part."""
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal.open(Path(folder) / "case")
        try:
            clock = HandClock(datetime(2026, 3, 2, 8, tzinfo=UTC))
            clock.set(60.0)
            yield Loop(
                book,
                journal,
                clock,
                SilentVoice(),
                limits=load_limits(grammars_folder(Settings())),
                recogniser="pocketsphinx",
                program_version="benchmark",
            )
        finally:
            journal.close()


def bodies(outcome: Outcome) -> list[object]:
    """Return what was written, without the times at which it was said."""
    return [entry.body for entry in outcome.entries]


def heard_as(
    book: Phrasebook, utterances: Sequence[tuple[Utterance, tuple[Hypothesis, ...]]], *, held: bool
) -> list[Outcome]:
    """Return the loop's outcomes."""
    with fresh_loop(book) as loop:
        return [
            loop.heard(Heard(replace(utterance, held=held), "pocketsphinx", hypotheses))
            for utterance, hypotheses in utterances
        ]


def verdict(wanted: Outcome, outcomes: Sequence[Outcome]) -> str:
    """Tell what became of one call-out that may have been cut into several pieces."""
    standing = [outcome for outcome in outcomes if outcome.result == "accepted" and outcome.entries]
    if any(bodies(outcome) != bodies(wanted) for outcome in standing):
        return "wrong"
    if standing:
        return "right"
    return "asked" if any(outcome.result == "asked" for outcome in outcomes) else "ignored"


def chatter_let_through(
    decoder: PocketSphinxDecoder, book: Phrasebook, snr_db: float, noise: np.random.Generator
) -> int:
    """Return how many sentences of ordinary talk are answered with an open room."""
    through = 0
    for n, sentence in enumerate(CHATTER):
        sound = speak(FLITE_VOICES[n % len(FLITE_VOICES)], sentence)
        pieces = [(u, decoder.decode(u.pcm)) for u in cut(sound, snr_db, noise)]
        outcomes = heard_as(book, pieces, held=False)
        through += any(outcome.result != "ignored" for outcome in outcomes)
    return through


def without_fault(book: Phrasebook, said: Sequence[CallOut]) -> list[Outcome]:
    """Return what becomes of each call-out if every word is heard, with the pedal held."""
    nothing = Utterance(np.zeros(0, np.int16), 0.0, 1.0, held=True)
    outcomes = []
    for call in said:
        with fresh_loop(book) as loop:
            outcomes.append(loop.heard(Heard(nothing, "", (Hypothesis(call.words),))))
    return outcomes


@dataclass
class Tally:
    """What became of the call-outs of one condition, for one way to listen."""

    clear: Counter[str] = field(default_factory=Counter)
    ambiguous: Counter[str] = field(default_factory=Counter)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--each", type=int, default=2, help="sentences a family (default 2)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=list(CONDITIONS), help="one condition only")
    parser.add_argument(
        "--limit", type=int, help="active states a frame in the search, instead of the program's"
    )
    parser.add_argument("--show", action="store_true", help="print what was not right")
    options = parser.parse_args()
    if options.limit is not None:
        pocketsphinx.TUNED = {**pocketsphinx.TUNED, "maxhmmpf": options.limit}
    book = app.load_book(Settings())
    decoder = PocketSphinxDecoder(app.grammar_of(book))
    said = call_outs(book, options.each, options.seed)
    goals = without_fault(book, said)
    clear = sum(goal.result == "accepted" for goal in goals)
    print(
        f"{len(said)} call-outs of {len({call.family for call in said})} families by the synthetic voices "
        f"{', '.join(FLITE_VOICES)}: stand-ins for people.  {clear} are clear, {len(said) - clear} are asked "
        "about even when heard without fault."
    )
    for n, (condition, snr_db) in enumerate(CONDITIONS.items()):
        if options.only in (None, condition):
            noise = np.random.default_rng([options.seed, n])
            measure(condition, snr_db, noise, decoder, book, said, goals, show=options.show)


def measure(
    condition: str,
    snr_db: float,
    noise: np.random.Generator,
    decoder: PocketSphinxDecoder,
    book: Phrasebook,
    said: Sequence[CallOut],
    goals: Sequence[Outcome],
    *,
    show: bool,
) -> None:
    """Say everything in one condition and print what became of it."""
    tallies = {"open room": Tally(), "pedal": Tally()}
    exact: Counter[str] = Counter()
    spent_s, heard_s, worst = 0.0, 0.0, 0.0
    for call, goal in zip(said, goals, strict=True):
        pieces = []
        for utterance in cut(call.sound, snr_db, noise):
            began = time.process_time()
            pieces.append((utterance, decoder.decode(utterance.pcm)))
            took_s = time.process_time() - began
            length_s = len(utterance.pcm) / SAMPLE_RATE_HZ
            spent_s, heard_s, worst = spent_s + took_s, heard_s + length_s, max(worst, took_s / length_s)
        words = " ".join(hypotheses[0].words for _, hypotheses in pieces if hypotheses)
        exact[call.voice] += words == call.words
        results = {}
        for way, tally in tallies.items():
            results[way] = verdict(goal, heard_as(book, pieces, held=way == "pedal"))
            (tally.clear if goal.result == "accepted" else tally.ambiguous)[results[way]] += 1
        if show and words != call.words:
            scores = [hypotheses[0].score for _, hypotheses in pieces if hypotheses]
            print(f"  {call.voice}: {call.words!r} -> {words!r} {scores} {results}")
    voices = Counter(call.voice for call in said)
    shares = ", ".join(f"{voice} {exact[voice] / voices[voice]:.0%}" for voice in FLITE_VOICES)
    print(
        f"{condition}: word for word {exact.total() / len(said):.1%} ({shares}); real-time factor "
        f"{spent_s / heard_s:.3f}, highest {worst:.2f}; chatter answered "
        f"{chatter_let_through(decoder, book, snr_db, noise)} of {len(CHATTER)}"
    )
    for way, tally in tallies.items():
        line = ", ".join(f"{name} {tally.clear[name] / tally.clear.total():.1%}" for name in RESULTS)
        print(
            f"  {way + ':':10} {line}; of {tally.ambiguous.total()} ambiguous ones "
            f"{tally.ambiguous['asked']} asked, {tally.ambiguous['wrong']} wrong",
            flush=True,
        )


if __name__ == "__main__":
    main()
