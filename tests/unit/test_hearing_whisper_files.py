"""A Whisper model folder is looked at before anything is started; long sound is cut where it is quiet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from checkback.errors import UserError
from checkback.hearing import whisper
from checkback.hearing.log_mel import log_mel, mel_filters
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.whisper import FreeText, WhisperListener, check_model_folder
from checkback.hearing.whisper_engine import context_frames, pieces_of
from checkback.settings import Settings, second_whisper, whisper_model


def lay(folder: Path, *names: str, size: int = 2_000_000) -> None:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).write_bytes(b"\0" * (size if name == "model.bin" else 2))


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"no Whisper model folder .*none.*models_download\.md"):
        WhisperListener(tmp_path / "none")


@pytest.mark.parametrize("vocabulary", ["vocabulary.json", "vocabulary.txt"])
def test_every_missing_file_is_named_at_once(tmp_path: Path, vocabulary: str) -> None:
    lay(tmp_path, "model.bin", "tokenizer.json", vocabulary)
    with pytest.raises(UserError, match=r"lacks config\.json:.*models_download\.md"):
        check_model_folder(tmp_path)
    (tmp_path / vocabulary).unlink()
    with pytest.raises(UserError, match=r"lacks config\.json, vocabulary\.json or vocabulary\.txt:"):
        check_model_folder(tmp_path)
    lay(tmp_path, "config.json", vocabulary)
    check_model_folder(tmp_path)


def test_a_pointer_instead_of_the_model_is_told(tmp_path: Path) -> None:
    lay(tmp_path, "model.bin", "config.json", "tokenizer.json", "vocabulary.json", size=134)
    with pytest.raises(UserError, match="only 134 bytes, which is a stand-in for the model"):
        check_model_folder(tmp_path)


def test_what_has_to_be_installed_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(whisper, "PACKAGES", ("ctranslate2", "no_such_package"))
    with pytest.raises(UserError, match=r"needs no_such_package.*pip install 'checkback\[whisper\]'"):
        WhisperListener(tmp_path)


class TestWhichModel:
    @pytest.fixture
    def settings(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Settings]:
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr("checkback.settings.default_path", lambda: tmp_path / "home" / "settings.toml")
        return lambda **hearing: Settings.model_validate({"hearing": hearing})

    def test_none_by_default(self, settings: Callable[..., Settings]) -> None:
        assert whisper_model(settings()) is None
        assert second_whisper(settings()) is None

    @pytest.mark.parametrize("place", ["models", "home/models"])
    @pytest.mark.parametrize("name", ["whisper-base", "faster-whisper-small"])
    def test_one_in_a_models_folder_is_found(
        self, settings: Callable[..., Settings], tmp_path: Path, place: str, name: str
    ) -> None:
        (tmp_path / place / name).mkdir(parents=True)
        found = second_whisper(settings())
        assert found is not None
        assert found.resolve() == tmp_path / place / name
        assert second_whisper(settings(second="none")) is None

    def test_the_one_that_is_set_comes_first(self, settings: Callable[..., Settings], tmp_path: Path) -> None:
        (tmp_path / "models" / "whisper-base").mkdir(parents=True)
        assert second_whisper(settings(whisper_model=tmp_path / "mine")) == tmp_path / "mine"

    def test_asked_for_and_not_there(self, settings: Callable[..., Settings]) -> None:
        with pytest.raises(UserError, match=r"hearing\.second is whisper.*set hearing\.whisper_model"):
            second_whisper(settings(second="whisper"))


class TestPieces:
    def test_short_sound_stays_whole(self) -> None:
        pcm = np.arange(10 * SAMPLE_RATE_HZ, dtype=np.int32).astype(np.int16)
        (whole,) = pieces_of(pcm)
        assert whole is pcm

    def test_long_sound_is_cut_in_its_pause_and_nothing_is_lost(self) -> None:
        loud = np.random.default_rng(1).integers(-9_000, 9_000, 70 * SAMPLE_RATE_HZ).astype(np.int16)
        loud[24 * SAMPLE_RATE_HZ : 24 * SAMPLE_RATE_HZ + SAMPLE_RATE_HZ // 2] //= 100
        pieces = pieces_of(loud)
        assert np.array_equal(np.concatenate(pieces), loud)
        assert all(len(piece) <= 30 * SAMPLE_RATE_HZ for piece in pieces)
        assert 24.0 < len(pieces[0]) / SAMPLE_RATE_HZ < 24.5


def test_the_context_is_as_long_as_the_sound_but_not_too_short() -> None:
    assert context_frames(2 * SAMPLE_RATE_HZ) == 1_000
    assert context_frames(12 * SAMPLE_RATE_HZ) == 1_300
    assert context_frames(40 * SAMPLE_RATE_HZ) == 3_000
    assert context_frames(12 * SAMPLE_RATE_HZ + 161) % 2 == 0


def test_words_of_low_probability_in_no_speech_are_made_up() -> None:
    assert FreeText("Heparin 5000 units.", ("a", ""), (-0.9, -0.5), no_speech=0.33).is_speech is False
    assert FreeText("Heparin 5000 units.", ("a", ""), (-0.9, -0.5), no_speech=0.15).is_speech is True
    assert FreeText("Wire out.", ("a", ""), (-0.1, -0.1), no_speech=0.8).is_speech is True
    assert FreeText("", (), (), no_speech=0.0).is_speech is False


@pytest.mark.outside
@pytest.mark.parametrize("bands", [80, 128])
def test_features_are_those_of_the_usual_library(bands: int) -> None:
    # faster-whisper's own extractor is the independent reader here
    extractor = pytest.importorskip("faster_whisper.feature_extractor").FeatureExtractor(feature_size=bands)
    assert np.allclose(mel_filters(bands), extractor.mel_filters, atol=1e-7)
    pcm = (np.random.default_rng(2).standard_normal(3 * SAMPLE_RATE_HZ) * 3_000).astype(np.int16)
    pcm[SAMPLE_RATE_HZ:-SAMPLE_RATE_HZ] //= 50
    theirs = extractor(pcm.astype(np.float32) / 32_768, padding=7 * SAMPLE_RATE_HZ)
    ours = log_mel(pcm, 1_000, bands)
    assert ours.shape == theirs.shape == (bands, 1_000)
    assert np.abs(ours - theirs).max() < 1e-3
