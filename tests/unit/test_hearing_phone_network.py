"""The network that hears phones in the sound itself, against the same by scipy in 64 bits."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import correlate, lfilter
from scipy.special import log_softmax

from checkback.hearing.ctc import BLANK
from checkback.hearing.phone_network import LEARNT, STEP, PhoneNetwork, spectrogram
from checkback.hearing.recogniser import SAMPLE_RATE_HZ

Numbers = NDArray[np.float64]


@pytest.fixture(scope="module")
def network() -> PhoneNetwork:
    return PhoneNetwork()


def noise(seconds: float, seed: int = 4) -> NDArray[np.int16]:
    rng = np.random.default_rng(seed)
    return np.round(rng.standard_normal(round(seconds * SAMPLE_RATE_HZ)) * 1_000).astype(np.int16)


def by_hand(x: Numbers) -> Numbers:
    """Return what comes of a spectrogram, each convolution as a correlation."""
    with np.load(LEARNT) as arrays:
        layers = {name: arrays[name].astype(np.float64) for name in arrays.files}

    def norm(x: Numbers, name: str) -> Numbers:
        scaled = (x - x.mean(axis=1, keepdims=True)) / np.sqrt(x.var(axis=1, keepdims=True) + 1e-5)
        return scaled * layers[f"{name}/weight"] + layers[f"{name}/bias"]

    kernels = layers["first/weight"]
    before = (kernels.shape[2] - STEP) // 2
    padded = np.pad(x, ((before, kernels.shape[2] + STEP), (0, 0)))
    every = np.array([correlate(padded, kernel.T, "valid")[:, 0] for kernel in kernels]).T
    x = norm(np.maximum(every[: len(x) : STEP] + layers["first/bias"], 0), "first_norm")
    for n in range(sum(name.startswith("down/") for name in layers) // 2):
        kernels = layers[f"deep/{n}/weight"][:, 0]
        seen = np.array(
            [correlate(channel, kernel, "same") for channel, kernel in zip(x.T, kernels, strict=True)]
        )
        inner = norm(seen.T + layers[f"deep/{n}/bias"], f"norm/{n}") @ layers[f"up/{n}/weight"].T
        inner = np.maximum(inner + layers[f"up/{n}/bias"], 0)
        x = x + inner @ layers[f"down/{n}/weight"].T + layers[f"down/{n}/bias"]
    scores = norm(x, "last_norm") @ layers["last/weight"].T + layers["last/bias"]
    found: Numbers = log_softmax(scores, axis=1)
    return found


@pytest.mark.outside
def test_it_is_what_numpy_and_scipy_make_of_it(network: PhoneNetwork) -> None:
    """Outside: scipy, in 64 bits."""
    pcm = noise(1.3)
    found = network(pcm)
    assert found.shape == (44, BLANK + 1)
    assert found == pytest.approx(by_hand(spectrogram(pcm).astype(np.float64)), abs=2e-3)
    assert np.exp(found).sum(axis=1) == pytest.approx(1.0, abs=1e-4)


def test_loudness_and_a_microphone_that_lifts_some_tones_do_not_count(network: PhoneNetwork) -> None:
    pcm = noise(1.0)
    assert network(pcm // 4 * 4) == pytest.approx(network(pcm // 4), abs=0.02)
    # by 6 dB at 1 kHz and more above
    lifted = lfilter([1.0, -0.5], [1.0], pcm)
    other = network(np.round(lifted).astype(np.int16))
    assert np.abs(np.exp(other) - np.exp(network(pcm))).mean() < 0.01


@pytest.mark.parametrize("samples", [0, 1, 159, 160, 161, 480, 5_000])
def test_however_short_a_sound_is_and_silence_too(network: PhoneNetwork, samples: int) -> None:
    found = network(np.zeros(samples, np.int16))
    assert found.shape == (-(-(samples // 160) // STEP), BLANK + 1)
    assert np.isfinite(found).all()
