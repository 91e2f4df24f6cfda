"""How far values depart from what should fit them, against a published example."""

from __future__ import annotations

import numpy as np
import pytest

from harness.evaluation.uncertainty.lack_of_fit import departure

RESULTS = np.array([61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90])
VARIANCES = np.array([0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225])
MEAN = np.ones((9, 1))


def test_nine_laboratories_as_published() -> None:
    """Kacker 2004, Metrologia 41, 132, table 1, first row: 0.8399 by Paule and Mandel; R package metafor for the same nine:
    variance 0.705395, chi-squared 24.8019, p = 0.001679 (both as the tests of statsmodels, test_meta.py, give them).
    """
    found = departure(RESULTS, MEAN, np.diag(VARIANCES))
    assert found.standard_deviation == pytest.approx(0.8399, abs=6e-5)
    assert found.standard_deviation**2 == pytest.approx(0.705395309, abs=1e-8)
    assert found.chi_squared == pytest.approx(24.801897742, abs=1e-8)
    assert found.degrees_of_freedom == 8
    assert found.significant


def test_what_all_share_is_no_departure() -> None:
    """The nine with an error common to all of them, ten times as large: it moves their mean and not their differences."""
    found = departure(RESULTS, MEAN, np.diag(VARIANCES) + 10.0**2)
    assert found.standard_deviation**2 == pytest.approx(0.705395309, abs=1e-6)


def test_what_two_share_explains_that_they_differ_from_the_rest() -> None:
    """Lowest and highest with an error of +-3 in common to either side: the rest agree within what they say (their
    weighted squares come to 5.9 with 6 degrees of freedom), and nothing departs.
    """
    common = np.zeros(9)
    common[0], common[-1] = -3.0, 3.0
    assert departure(RESULTS, MEAN, np.diag(VARIANCES) + np.outer(common, common)).standard_deviation == 0.0
