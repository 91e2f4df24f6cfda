"""The covariance kept as a diagonal and a few columns, against whole matrices by numpy and `uncertainties`."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from uncertainties import covariance_matrix, ufloat

from harness.core.arrays import Array
from harness.evaluation.uncertainty.shared_inputs import SharedCovariance, shared_covariance, whitener
from tests.harness.evaluation.conftest import as_matrix


@st.composite
def covariances(draw: st.DrawFn) -> SharedCovariance:
    """More values than inputs in common, or fewer, or no input at all; some inputs alike, which makes their columns dependent."""
    count, inputs = draw(st.integers(1, 6)), draw(st.integers(0, 8))
    own = draw(arrays(float, count, elements=st.floats(1e-3, 10.0)))
    shared = draw(arrays(float, (count, inputs), elements=st.floats(-10.0, 10.0)))
    return SharedCovariance(own, np.hstack([shared, shared[:, : inputs // 3]]))


@given(covariances(), st.integers(0, 2**32 - 1))
def test_whitened_products_are_those_of_the_inverse(covariance: SharedCovariance, seed: int) -> None:
    """Products and determinant by numpy's solver of the whole matrix, several hypotheses at once."""
    values = np.random.default_rng(seed).normal(size=(2, len(covariance.own), 3))
    matrix, found = as_matrix(covariance), whitener(covariance)
    white = found(values)
    expected = np.swapaxes(values, 1, 2) @ np.linalg.solve(matrix, values)
    assert np.swapaxes(white, 1, 2) @ white == pytest.approx(expected, rel=1e-6, abs=1e-6)
    assert found.log_determinant == pytest.approx(np.linalg.slogdet(matrix)[1], rel=1e-6, abs=1e-6)


def test_one_input_common_to_all() -> None:
    """Variance 1 each and covariance 3 between any of four: eigenvalue 13 along their sum and 1 across (matrix of equal correlations)."""
    found = whitener(SharedCovariance(np.ones(4), np.full((4, 1), np.sqrt(3.0))))
    assert found.log_determinant == pytest.approx(np.log(13.0))
    assert found(np.ones((4, 1)))[:, 0] == pytest.approx(np.full(4, 1 / np.sqrt(13.0)))
    across = np.array([[1.0], [-1.0], [0.0], [0.0]])
    assert found(across) == pytest.approx(across)


@given(covariances())
def test_parts_of_the_matrix(covariance: SharedCovariance) -> None:
    matrix, every = as_matrix(covariance), np.arange(len(covariance.own))
    assert covariance.variances == pytest.approx(np.diag(matrix))
    backward = every[::-1]
    assert covariance.between(backward, every) == pytest.approx(matrix[backward])
    twice = np.zeros(2, dtype=np.int64)
    assert covariance.between(twice, twice) == pytest.approx(np.full((2, 2), matrix[0, 0]))
    more: Array = np.ones((len(every), 1))
    assert as_matrix(covariance.beside(2.0, more)) == pytest.approx(matrix + 2 * np.eye(len(every)) + 1)


def test_inputs_of_one_value_are_its_own() -> None:
    """The matrix is that of `uncertainties`; an input is a column where two values have it, and in the diagonal where one has."""
    gain, offset, noise = ufloat(1.0, 0.01), ufloat(0.0, 0.2), [ufloat(0.0, u) for u in (0.1, 0.3, 0.2, 0.4)]
    values = [5.0 * gain + noise[0], 7.0 * gain + offset + noise[1], 2.0 * offset + noise[2] - noise[3], gain * 1.0]
    found = shared_covariance(values)
    assert found.shared.shape == (4, 2)
    assert found.own == pytest.approx([0.01, 0.09, 0.04 + 0.16, 0.0])
    assert as_matrix(found) == pytest.approx(np.array(covariance_matrix(values)))
