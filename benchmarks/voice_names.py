"""Which drug names a listener hears back from the voice, with and without its pronunciations.

    python benchmarks/voice_names.py FOLDER

FOLDER holds a Whisper model (see models_download.md), which knows nothing of how the voice says a
name.  Each name for which `grammars/english.espeak` has a pronunciation is spoken in "..., five
milligrams", and the model scores it against the seven names that are spelt most alike.
"""

from __future__ import annotations

import argparse
from difflib import SequenceMatcher
from pathlib import Path

import numpy as np

from checkback import app
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.whisper import WhisperListener
from checkback.settings import Settings, grammars_folder
from checkback.speaking.synthesis import Espeak, read_pronunciations

OTHERS = 7


def main() -> None:
    """Run it."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("folder", type=Path)
    listener = WhisperListener(options.parse_args().folder, tuned=False)
    settings = Settings()
    table = read_pronunciations(grammars_folder(settings) / "english.espeak")
    names = [drug.say[0] for drug in app.load_book(settings).formulary.drug]
    voices = {"as spelt": Espeak(), "with pronunciations": Espeak(pronunciations=table)}
    right = dict.fromkeys(voices, 0)
    spoken = [name for name in names if not table.keys().isdisjoint(name.split())]
    quiet = np.zeros(SAMPLE_RATE_HZ // 2, np.int16)
    for name in spoken:
        alike = sorted(names, key=lambda other: -SequenceMatcher(None, name, other).ratio())[: OTHERS + 1]
        for how, voice in voices.items():
            sound = voice.synthesise(f"{name}, five milligrams").at_rate(SAMPLE_RATE_HZ).pcm
            scored = listener.score(
                np.concatenate([quiet, sound, quiet]),
                [f"{each.capitalize()}, 5 milligrams." for each in alike],
            )
            heard = alike[int(np.argmax([each.total_logprob for each in scored or ()]))]
            right[how] += heard == name
            if heard != name:
                print(f"{how}: {name} was heard as {heard}", flush=True)
    for how, count in right.items():
        print(f"{how}: {count} of {len(spoken)}")
    for voice in voices.values():
        voice.close()
    listener.close()


if __name__ == "__main__":
    main()
