"""Products in 8 bits, against the same in 64 bits by numpy and scipy."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import correlate
from scipy.special import erf, softmax

pytest.importorskip("onnx")
pytest.importorskip("onnxruntime")

from checkback.hearing.eight_bits import Piece

ROWS, INPUTS, OUTPUTS = 9, 512, 300


def numbers(*shape: int, seed: int = 1) -> NDArray[np.float32]:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def apart(found: NDArray[np.float32], right: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(np.square(found - right)) / np.mean(np.square(right))))


@pytest.mark.outside
@pytest.mark.parametrize("shift", [-3.0, 0.0, 4.0])
def test_a_product_is_nearly_that_of_numpy(shift: float) -> None:
    """Outside: numpy in 64 bits."""
    x = numbers(ROWS, INPUTS) + np.float32(shift)
    # a few numbers of a model are much larger than the others
    x[:, 7] *= 12
    weight, bias = numbers(OUTPUTS, INPUTS, seed=2) * 0.05, numbers(OUTPUTS, seed=3)
    piece = Piece()
    run = piece.ready(piece.times(piece.take(INPUTS), weight, bias))
    (found,) = run(x)
    right = x.astype(np.float64) @ weight.T.astype(np.float64) + bias
    assert found.shape == right.shape
    assert apart(found, right) < 0.025


def test_largest_numbers_are_not_cut_off() -> None:
    x = np.full((2, INPUTS), 5.0, np.float32)
    x[:, 0] = -5.0
    weight = np.full((3, INPUTS), 0.1, np.float32)
    piece = Piece()
    (found,) = piece.ready(piece.times(piece.take(INPUTS), weight))(x)
    assert found == pytest.approx(np.full((2, 3), 0.5 * (INPUTS - 2)), rel=0.01)


def test_a_row_does_not_depend_on_the_others() -> None:
    x, weight = numbers(ROWS, INPUTS), numbers(OUTPUTS, INPUTS, seed=2)
    piece = Piece()
    run = piece.ready(piece.times(piece.take(INPUTS), weight))
    (together,) = run(x)
    x[1:] *= 100
    assert np.array_equal(run(x)[0][0], together[0])
    assert np.array_equal(run(x[:1])[0][0], together[0])


def test_a_row_of_zeros_gives_the_bias() -> None:
    weight, bias = numbers(OUTPUTS, INPUTS), numbers(OUTPUTS, seed=3)
    piece = Piece()
    (found,) = piece.ready(piece.times(piece.take(INPUTS), weight, bias))(np.zeros((1, INPUTS), np.float32))
    assert found[0] == pytest.approx(bias, abs=1e-6)


@pytest.mark.outside
def test_norms_sums_and_the_unit_are_those_of_the_papers() -> None:
    """Outside: layer norm (Ba et al., 2016) and x times the normal distribution (Hendrycks and Gimpel, 2016), by scipy."""
    x, y, gamma, beta = (numbers(*shape, seed=n) for n, shape in enumerate([(4, 64), (4, 64), (64,), (64,)]))
    piece = Piece()
    one, other = piece.take(64), piece.take(64)
    total = piece.add(one, other)
    found = piece.ready(total, piece.norm(total, gamma, beta), piece.gelu(total))(x, y)
    s = (x + y).astype(np.float64)
    normal = (s - s.mean(1, keepdims=True)) / np.sqrt(s.var(1, keepdims=True) + 1e-5) * gamma + beta
    for each, right in zip(found, (s, normal, s * 0.5 * (1 + erf(s / np.sqrt(2)))), strict=True):
        assert each == pytest.approx(right, abs=1e-5)


@pytest.mark.outside
@pytest.mark.parametrize("step", [1, 2])
def test_a_convolution_and_attention_are_those_of_scipy_and_numpy(step: int) -> None:
    """Outside: scipy's correlation; attention as in Vaswani et al. (2017), section 3.2, with numpy in 64 bits."""
    x, weight, bias = numbers(20, 6), numbers(8, 6, 3, seed=2), numbers(8, seed=3)
    piece = Piece()
    (found,) = piece.ready(piece.convolve(piece.take(6), weight, bias, step=step))(x)
    right = np.stack(
        [
            sum(correlate(x[:, n], row[n], mode="same") for n in range(6)) + shift
            for row, shift in zip(weight, bias, strict=True)
        ],
        axis=1,
    )[::step]
    assert found == pytest.approx(right, abs=1e-4)

    mixed = numbers(11, 3 * 16, seed=4)
    piece = Piece()
    (taken,) = piece.ready(piece.attend(piece.take(48), 2, 16))(mixed)
    wanted = []
    for head in range(2):
        asked, key, value = (
            mixed.astype(np.float64)[:, 16 * part + 8 * head : 16 * part + 8 * head + 8] for part in range(3)
        )
        shares = softmax(asked @ key.T / np.sqrt(8), axis=1)
        wanted.append(shares @ value)
    assert taken == pytest.approx(np.concatenate(wanted, axis=1), abs=1e-5)
