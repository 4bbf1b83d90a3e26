"""The numbers of PocketSphinx's acoustic model, and a change of them, with PocketSphinx as the other reader."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from checkback.hearing.acoustic_model import (
    WEIGHT_STEP,
    AcousticModel,
    changed_files,
    read_model,
    write_change,
)
from checkback.hearing.pocketsphinx import ACOUSTIC_MODEL, decoder_of


@pytest.fixture(scope="module")
def model() -> AcousticModel:
    return read_model(ACOUSTIC_MODEL)


def score(change: Path | None) -> float:
    """Let PocketSphinx find a word in noise, and return its score."""
    decoder = decoder_of({"one": ("W AH N",)}, change=change, beam=1e-300, wbeam=1e-300, pbeam=1e-300)
    decoder.add_fsg("said", decoder.create_fsg("said", 0, 1, [(0, 1, 1.0, "one")]))
    decoder.activate_search("said")
    sound = np.random.default_rng(3).normal(0, 2000, 16_000).astype("<i2")
    decoder.start_utt()
    decoder.process_raw(sound.tobytes(), False, True)
    decoder.end_utt()
    return float(decoder.hyp().score)


def test_the_weights_of_each_state_add_up_to_nearly_one(model: AcousticModel) -> None:
    """They are rounded, and the smallest left out, when the model is made (PocketSphinx, `sendump`)."""
    sums = np.exp(-WEIGHT_STEP * model.weights.astype(float)).sum(axis=1)
    assert sums.min() > 0.9
    assert sums.max() < 1.0


def test_the_change_to_another_model_makes_that_model(model: AcousticModel, tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    other = AcousticModel(
        (model.means + rng.normal(0, 0.1, model.means.shape)).astype(np.float32),
        (model.variances * rng.uniform(1.0, 1.3, model.means.shape)).astype(np.float32),
        rng.integers(0, 256, model.weights.shape, np.uint8),
    )
    write_change(ACOUSTIC_MODEL, other, tmp_path / "change.npz")
    changed_files(ACOUSTIC_MODEL, tmp_path / "change.npz", tmp_path)
    found = read_model(tmp_path)
    np.testing.assert_allclose(found.means, other.means, atol=2e-3)
    np.testing.assert_allclose(found.variances, other.variances, rtol=2e-3)
    np.testing.assert_array_equal(found.weights, other.weights)


def test_pocketsphinx_takes_the_changed_files(model: AcousticModel, tmp_path: Path) -> None:
    write_change(ACOUSTIC_MODEL, model, tmp_path / "none.npz")
    assert score(tmp_path / "none.npz") == score(None)
    write_change(ACOUSTIC_MODEL, replace(model, means=model.means + 0.5), tmp_path / "means.npz")
    write_change(ACOUSTIC_MODEL, replace(model, weights=model.weights[:, ::-1]), tmp_path / "weights.npz")
    write_change(ACOUSTIC_MODEL, replace(model, variances=model.variances * 2), tmp_path / "variances.npz")
    changed = [score(tmp_path / f"{name}.npz") for name in ("means", "weights", "variances")]
    assert len({score(None), *changed}) == 4


def test_a_change_for_another_model_is_not_applied(model: AcousticModel, tmp_path: Path) -> None:
    folder = tmp_path / "model"
    shutil.copytree(ACOUSTIC_MODEL, folder)
    raw = bytearray((folder / "sendump").read_bytes())
    raw[-1] ^= 1
    (folder / "sendump").write_bytes(bytes(raw))
    write_change(folder, read_model(folder), tmp_path / "change.npz")
    assert changed_files(ACOUSTIC_MODEL, tmp_path / "change.npz", tmp_path) == {}
    assert changed_files(folder, tmp_path / "change.npz", tmp_path)
