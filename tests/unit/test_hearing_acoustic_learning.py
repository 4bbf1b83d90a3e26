"""How an acoustic model is drawn towards what was heard, with scipy's normal distribution as the other reader."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import norm

from checkback.hearing.acoustic_learning import Frames, features_of, learnt, phones_of
from checkback.hearing.acoustic_model import WEIGHT_STEP, AcousticModel, read_model
from checkback.hearing.pocketsphinx import ACOUSTIC_MODEL

PHONE, STATES = 7, (700, 701)


@pytest.fixture(scope="module")
def model() -> AcousticModel:
    return read_model(ACOUSTIC_MODEL)


@pytest.fixture(scope="module")
def heard(model: AcousticModel) -> Frames:
    """Frames of two states, around a few of the phone's densities and a little beside them."""
    rng = np.random.default_rng(5)
    near = model.means[PHONE][:, rng.integers(0, 6, 600)].transpose(1, 0, 2)
    states = np.stack([np.full(600, PHONE), rng.choice(STATES, 600)], axis=1)
    return Frames((near + rng.normal(0.3, 0.5, near.shape)).astype(np.float16), states.astype(np.int32))


def likelihood(model: AcousticModel, heard: Frames) -> float:
    """Return the mean logarithm of the frames' density."""
    total = 0.0
    for s in range(3):
        spread = np.sqrt(model.variances[PHONE, s])
        x = heard.features[:, s, None].astype(float)
        logs = norm.logpdf(x, model.means[PHONE, s], spread).sum(axis=2)
        weights = -WEIGHT_STEP * model.weights[s][:, heard.states[:, 1]].T.astype(float)
        weights -= logsumexp(weights, axis=1, keepdims=True)
        total += float(logsumexp(logs + weights, axis=1).mean())
    return total


def test_every_round_makes_what_was_heard_more_probable(model: AcousticModel, heard: Frames) -> None:
    once = learnt(model, model, [heard], 1e-3)
    twice = learnt(model, once, [heard], 1e-3)
    # Dempster, Laird and Rubin 1977: expectation and maximisation never make it less so
    assert likelihood(model, heard) < likelihood(once, heard) - 1 < likelihood(twice, heard) - 1


def test_nothing_changes_where_nothing_was_heard(model: AcousticModel, heard: Frames) -> None:
    new = learnt(model, model, [heard], 20.0)
    others = np.arange(len(model.means)) != PHONE
    np.testing.assert_array_equal(new.means[others], model.means[others])
    silent = np.delete(np.arange(model.weights.shape[2]), STATES)
    np.testing.assert_array_equal(new.weights[:, :, silent], model.weights[:, :, silent])


def test_a_strong_belief_keeps_the_model(model: AcousticModel, heard: Frames) -> None:
    kept = learnt(model, model, [heard], 1e9)
    np.testing.assert_allclose(kept.means, model.means, atol=1e-3)
    np.testing.assert_allclose(kept.variances, model.variances, rtol=1e-3)
    changed = np.abs(kept.weights.astype(int) - model.weights.astype(int))
    # they add up to a little less than one before, and to one after
    assert changed.max() <= 1


def test_the_phones_are_those_of_the_dictionary() -> None:
    phones = phones_of(ACOUSTIC_MODEL / "mdef")
    assert len(phones) == len(read_model(ACOUSTIC_MODEL).means)
    assert {"AA", "ZH", "SIL"} <= set(phones)


def test_a_slope_has_its_differences(model: AcousticModel) -> None:
    """Of a straight line: no second difference, and four frames' worth of the first."""
    line = np.arange(20.0)[:, None] * np.ones(13)
    found = features_of(line)
    np.testing.assert_allclose(found[4:-4, 1], 4.0)
    np.testing.assert_allclose(found[4:-4, 2], 0.0, atol=1e-9)
