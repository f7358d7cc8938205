"""Every feature has a plain word for people, each its own, without the words of statistics."""

from __future__ import annotations

import re

import pytest

from models.features.definitions import FEATURE_NAMES, FEATURES, PLAIN_WORDS
from models.features.plain_value import plain_value

STATISTICS = re.compile(r"deviation|median|standard|slope|share|margin|hysteresis|open-circuit|evidence", re.IGNORECASE)


def test_every_feature_has_a_plain_word_of_its_own():
    assert tuple(PLAIN_WORDS) == FEATURE_NAMES
    assert len(set(PLAIN_WORDS.values())) == len(FEATURE_NAMES)
    assert not [words for words in PLAIN_WORDS.values() if STATISTICS.search(words)]


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("charge_share", 1.9, "190% of its rated capacity"),
        ("now_loss_share_per_day", 0.1234, "12.3% of its rated capacity"),
        ("before_rest_mv_per_cell", -41.27, "-41.3 mV a cell"),
        ("after_excess_mohm_per_cell", 3.0, "3 mΩ a cell"),
        ("km_per_day", 600.0, "600 km"),
        ("trips_per_day", 40.0, "40"),
        ("age_years", 41.0, "41 years"),
        ("odometer_km", 1.5e6, "1500000 km"),
        ("last_hold_days", 410.0, "410 days"),
        ("ambient_c", 61.0, "61 °C"),
    ],
)
def test_a_value_is_told_with_its_unit_in_words(name, value, words):
    """ "deviation under discharge before the charge, per cell and 50 A (0.9 share)" was told at the bench."""
    assert plain_value(name, value) == words


@pytest.mark.parametrize("feature", FEATURES, ids=lambda feature: feature.name)
def test_no_value_is_told_in_the_units_of_a_table(feature):
    assert not re.search(r"share|/", plain_value(feature.name, 2.5))
