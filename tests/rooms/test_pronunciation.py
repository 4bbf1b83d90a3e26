"""Drug names are said as the trade says them: the voice's own phonemes against hand-written ones, and by ear.

The phonemes that the espeak voice says are taken from its library (IPA), as a test tool in a process
of its own, and compared with `grammars/english.pronunciations`, which were written by hand for the
recogniser, and with the dictionary that comes with PocketSphinx.  The ear is a Whisper model, which
knows nothing of either.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pocketsphinx
import pytest

from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.speaking.synthesis import Espeak, read_pronunciations
from english import GRAMMARS, book
from whisper_weights import WEIGHTS, needs_weights

TABLE = read_pronunciations(GRAMMARS / "english.espeak")

PHONEMES = """
import ctypes, json, os, sys, tempfile
from pathlib import Path
import espeakng_loader
library = ctypes.CDLL(espeakng_loader.get_library_path())
files = ctypes.CDLL(None)
files.fopen.restype = ctypes.c_void_p
os.chdir(Path(espeakng_loader.get_data_path()).parent)
library.espeak_Initialize(2, 0, b".", 0x8000)
library.espeak_SetVoiceByName(b"en-us")
callback = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p)(lambda *_: 0)
library.espeak_SetSynthCallback(callback)
path = os.path.join(tempfile.mkdtemp(), "phonemes")
said = {}
for word, text in json.loads(sys.argv[1]).items():
    file = files.fopen(path.encode(), b"w")
    library.espeak_SetPhonemeTrace(2, ctypes.c_void_p(file))
    spoken = text.encode() + bytes(1)
    library.espeak_Synth(spoken, len(spoken), 0, 1, 0, 0x101, None, None)
    files.fclose(ctypes.c_void_p(file))
    said[word] = Path(path).read_text().strip()
print(json.dumps(said))
"""

# IPA as espeak writes it to ARPAbet, as in the phone set of the CMU dictionary; longer ones first.
IPA = {
    "aɪɚ": "AY ER", "aɪə": "AY AH", "oːɹ": "AO R", "ɔːɹ": "AO R", "ɑːɹ": "AA R", "eɪ": "EY", "aɪ": "AY", "aʊ": "AW",
    "oʊ": "OW", "ɔɪ": "OY", "tʃ": "CH", "dʒ": "JH", "iː": "IY", "ɑː": "AA", "ɔː": "AO", "uː": "UW", "ɜː": "ER",
    "ɚɹ": "ER", "ɚ": "ER", "ə": "AH", "ɐ": "AH", "ʌ": "AH", "ɪ": "IH", "ᵻ": "IH", "i": "IY", "ɛ": "EH", "æ": "AE",
    "ɑ": "AA", "ɔ": "AO", "o": "OW", "ʊ": "UH", "u": "UW", "a": "AE", "e": "EH", "ŋ": "NG", "θ": "TH", "ð": "DH",
    "ʃ": "SH", "ʒ": "ZH", "ɹ": "R", "ɾ": "T", "ʔ": "T", "ɡ": "G", "j": "Y", "h": "HH",
    **{letter: letter.upper() for letter in "bdfklmnpstvwz"},
}  # fmt: skip

# Vowels that a syllable without stress has, whichever of them a dictionary writes.
REDUCED = {"IH": "AH", "EH": "AH", "ER": "AH R", "UH": "AH", "IY": "AH", "NG": "N"}

#: What a Whisper base model hears back among each other and a few more, and what it does not.
HEARD = ("prasugrel", "isoproterenol", "cefazolin", "epinephrine", "amiodarone")
NOT_HEARD = ("levosimendan",)

FARTHEST = 0.2
"""Share of a word's phones that may differ: one phone in five, which is what two dictionaries differ by."""


def phones(ipa: str) -> tuple[str, ...]:
    plain = "".join(c for c in ipa if c not in "ˈˌ‿_| ")
    found: list[str] = []
    while plain:
        piece = next((p for p in IPA if plain.startswith(p)), None)
        if piece is not None:
            found += IPA[piece].split()
        plain = plain[len(piece) if piece else 1 :]
    return tuple(found)


def reduced(word: tuple[str, ...]) -> list[str]:
    return " ".join(REDUCED.get(phone, phone) for phone in word).replace("R R", "R").split()


def apart(a: tuple[str, ...], b: tuple[str, ...]) -> float:
    """Return the edit distance of two words, over the length of the longer."""
    one, other = reduced(a), reduced(b)
    row = list(range(len(other) + 1))
    for i, phone in enumerate(one, 1):
        before, row[0] = row[0], i
        for j, against in enumerate(other, 1):
            before, row[j] = row[j], min(before + (phone != against), row[j] + 1, row[j - 1] + 1)
    return row[-1] / max(len(one), len(other))


def dictionary() -> dict[str, list[tuple[str, ...]]]:
    known: dict[str, list[tuple[str, ...]]] = {}
    by_hand = (GRAMMARS / "english.pronunciations").read_text().splitlines()
    bundled = Path(pocketsphinx.get_model_path("en-us/cmudict-en-us.dict")).read_text().splitlines()
    for line in (*by_hand, *bundled):
        if line.strip() and not line.startswith("#"):
            word, *said = line.split()
            known.setdefault(word.partition("(")[0], []).append(tuple(said))
    return known


def drug_words() -> list[str]:
    said = {word for drug in book().formulary.drug for name in drug.say for word in name.split()}
    return sorted(word for word in said if len(word) > 1)


def far_off(texts: dict[str, str]) -> dict[str, float]:
    """Return the words that are said otherwise than any dictionary has them, and how far off."""
    done = subprocess.run(
        [sys.executable, "-c", PHONEMES, json.dumps(texts)], capture_output=True, text=True, check=True
    )
    known = dictionary()
    distance = {
        word: min(apart(phones(ipa), said) for said in known[word])
        for word, ipa in json.loads(done.stdout).items()
    }
    return {word: round(far, 2) for word, far in distance.items() if far > FARTHEST}


def test_every_drug_name_is_said_as_it_is_written_by_hand() -> None:
    words = drug_words()
    assert len(words) > 80
    assert far_off({word: TABLE.get(word, word) for word in words}) == {}


def test_the_table_is_needed_and_the_check_can_fail() -> None:
    wrong = far_off({word: word for word in drug_words()})
    assert {"norepinephrine", "adenosine", "verapamil", "labetalol"} <= wrong.keys()
    # and nothing stands in the table that no sentence uses
    assert TABLE.keys() <= set(dictionary())


@pytest.mark.parametrize("line", ["two words here", "heparin", "heparin [[h]]"])
def test_a_bad_line_is_one_clear_sentence(line: str, tmp_path: Path) -> None:
    file = tmp_path / "english.espeak"
    file.write_text(f"# how it is said\naspirin 'asprIn\n{line}\n")
    with pytest.raises(UserError, match=r"english.espeak, line 3: write one word and its phonemes"):
        read_pronunciations(file)


class TestByEar:
    pytestmark = needs_weights

    def test_names_that_were_taken_for_others_are_heard_back(self) -> None:
        from checkback.hearing.whisper import WhisperListener

        others = ("aspirin", "insulin", "heparin", "fentanyl", "morphine", "oxygen")
        names = (*HEARD, *NOT_HEARD)
        listener = WhisperListener(WEIGHTS, tuned=False)
        voice = Espeak(pronunciations=TABLE)
        heard = {}
        for name in names:
            candidates = [*names, *others]
            sound = voice.synthesise(f"{name}, five milligrams").at_rate(SAMPLE_RATE_HZ).pcm
            quiet = np.zeros(SAMPLE_RATE_HZ // 2, np.int16)
            scored = listener.score(
                np.concatenate([quiet, sound, quiet]),
                [f"{each.capitalize()}, 5 milligrams." for each in candidates],
            )
            assert scored is not None
            heard[name] = candidates[int(np.argmax([each.total_logprob for each in scored]))]
        voice.close()
        listener.close()
        assert [name for name in names if heard[name] == name] == list(HEARD)
