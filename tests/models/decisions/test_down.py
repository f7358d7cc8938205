"""When a vehicle is down and waits for another pack."""

from datetime import UTC, datetime, timedelta

import pytest

from models.decisions.down import is_down, nothing_since

NOW = datetime(2026, 3, 11, 8, tzinfo=UTC)


def ago(days: float | None) -> datetime | None:
    return None if days is None else NOW - timedelta(days=days)


@pytest.mark.parametrize(
    ("came_back", "charged", "ended", "down"),
    [
        (2, 20, None, True),
        (2, None, None, True),
        (2, 2, None, True),
        (2, 1, None, False),
        (2, 20, 1, False),
        (2, 20, 2, False),
        (2, 20, 5, True),
        (0, 20, None, True),
        (30, 40, None, True),
        (30.1, 40, None, False),
        (-1, 20, None, False),
    ],
)
def test_it_is_down_from_its_fault_on_until_it_is_charged_replaced_or_nobody_knows(came_back, charged, ended, down):
    then = ago(came_back)
    assert then is not None
    assert (nothing_since(then, ago(charged), ago(ended)) and is_down(then, NOW)) == down
