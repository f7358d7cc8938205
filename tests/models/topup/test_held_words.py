"""How long a pack holds after a charge, in the words of the top-up plan."""

from __future__ import annotations

import pytest

from models.topup.plan import held_words


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (0.0, "not even one day can be promised"),
        (0.97, "not even one day can be promised"),
        (1.0, "nine in ten such packs hold 1 day"),
        (6.8, "nine in ten such packs hold 6 days"),
    ],
)
def test_no_count_of_no_days_is_told(days, said):
    """It said that nine in ten such packs hold 0 days."""
    assert held_words(days) == said
