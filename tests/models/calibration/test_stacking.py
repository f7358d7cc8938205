"""Shares of a mixture: the mean of their law, against numerical integration; and what likelihood a curve gives."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from models.base.day_grid import DAYS
from models.calibration.stacking import mixture_shares, outcome_likelihood


@pytest.mark.parametrize("rows", [1, 5, 40])
def test_reference_shares_of_two_are_the_mean_of_their_law(rows):
    """Reference: scipy's adaptive quadrature of the posterior of a share that is uniform beforehand."""
    rng = np.random.default_rng(rows)
    likelihood, weights = rng.uniform(0.05, 1.0, (rows, 2)), rng.uniform(0.2, 1.0, rows)

    def density(share: float) -> float:
        return float(np.exp(weights @ np.log(likelihood @ [share, 1 - share])))

    exact = quad(lambda s: s * density(s), 0, 1)[0] / quad(density, 0, 1)[0]
    np.testing.assert_allclose(mixture_shares(likelihood, weights), [exact, 1 - exact], atol=0.02)


def test_shares_lean_on_what_foretells_and_add_up():
    rng = np.random.default_rng(1)
    likelihood = rng.uniform(0.1, 0.4, (200, 6))
    likelihood[:, 5] += 0.3
    shares = mixture_shares(likelihood, np.ones(200))
    assert shares.sum() == pytest.approx(1)
    assert shares[5] > 0.8
    # Without a row the last counts a half, and the others share the rest.
    np.testing.assert_allclose(mixture_shares(likelihood[:0], np.ones(0)), [*np.full(5, 0.1), 0.5])


def test_invariance_all_that_can_be_seen_adds_up_to_one():
    curve = np.exp(-DAYS / 20.0)
    ends = DAYS[1:]
    seen = np.append(ends, 200.0)
    event = np.append(np.ones(len(ends), dtype=bool), False)
    found = outcome_likelihood(np.tile(curve, (len(seen), 1)), seen, event)
    assert found.sum() == pytest.approx(1)
