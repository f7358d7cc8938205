"""Which charges are tried: few, however much could go in."""

from __future__ import annotations

import numpy as np
import pytest

from models.packs.family import MOST_AH
from models.topup.gain_per_charge import MOST_STEPS, STEP_AH, charges_to_try


@pytest.mark.parametrize(
    ("best", "most", "tried"),
    [
        (1.0, 2.0, [1.0, 1.5, 2.0]),
        (1.0, 2.2, [1.0, 1.5, 2.0, 2.2]),
        (1.0, 2.04, [1.0, 1.5, 2.0]),
        (0.2, 0.3, [0.3]),
        (12.0, 12.5, [8.0, 9.5, 11.0, 12.5]),
    ],
)
def test_charges_stand_half_an_ampere_hour_apart_or_more(best, most, tried):
    assert charges_to_try(best, most) == pytest.approx(tried)


def test_property_they_are_few_rising_and_end_at_the_most():
    rng = np.random.default_rng(1)
    for _ in range(300):
        most = float(rng.uniform(0.05, MOST_AH))
        tried = charges_to_try(float(rng.uniform(0.01, most)), most)
        assert 1 <= len(tried) <= MOST_STEPS
        assert np.all(np.diff(tried) > 0)
        assert most - 0.1 * STEP_AH <= tried[-1] <= most + 1e-9


def test_no_list_grows_with_a_number_from_outside():
    assert len(charges_to_try(1e12, 1e12)) <= MOST_STEPS
