"""The network that tells the phones, against the same by numpy and scipy."""

import hashlib
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import correlate
from scipy.special import erf, log_softmax

pytest.importorskip("onnx")
pytest.importorskip("onnxruntime")

from checkback.hearing.ctc import BLANK
from checkback.hearing.phone_posteriors import PhonePosteriors
from checkback.hearing.whisper_engine import PHONES_LEARNT, TUNING

WIDTH, FRAMES = 512, 40


def by_hand(learnt: Path, x: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.load(learnt) as arrays:
        layers = {name: arrays[name].astype(np.float64) for name in arrays.files if "/" in name}

    def convolved(x: NDArray[np.float64], name: str) -> NDArray[np.float64]:
        padded = np.pad(x, ((1, 1), (0, 0)))
        rows = [correlate(padded, kernel.T, "valid")[:, 0] for kernel in layers[f"{name}/weight"]]
        found = np.array(rows).T + layers[f"{name}/bias"]
        return found * 0.5 * (1 + erf(found / np.sqrt(2)))

    first = convolved(x, "first")
    second = first + convolved(first, "second")
    found: NDArray[np.float64] = log_softmax(second @ layers["last/weight"].T + layers["last/bias"], axis=1)
    return found


@pytest.mark.outside
def test_it_is_what_numpy_and_scipy_make_of_it() -> None:
    """Outside: numpy and scipy, in 64 bits."""
    x = np.random.default_rng(2).standard_normal((FRAMES, WIDTH)).astype(np.float32)
    found = PhonePosteriors(PHONES_LEARNT, 1)(x)
    assert found.shape == (FRAMES, BLANK + 1)
    assert found == pytest.approx(by_hand(PHONES_LEARNT, x.astype(np.float64)), abs=2e-3)


def test_it_was_learnt_behind_the_tuning_that_comes_along() -> None:
    with np.load(PHONES_LEARNT) as arrays:
        assert str(arrays["behind"]) == hashlib.sha256(TUNING.read_bytes()).hexdigest()
