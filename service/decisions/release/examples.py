"""Worked examples of a question about a release: the invented van of Marrow Bay."""

from __future__ import annotations

from typing import Any, Final

from service.forecasting.forecasts.examples import example_case

STORED: Final[dict[str, Any]] = {
    "on_order": {"summary": "The pack is on order: its record says when it may come", "value": {}},
    "promised": {
        "summary": "The supplier has promised a day",
        "value": {"in_days": 7, "km_per_day_low": 10, "km_per_day_high": 35},
    },
    "not_certain": {
        "summary": "Nobody has promised a day",
        "value": {"lead_time": {"usual_days": 9, "earliest_days": 6, "latest_days": 21}},
    },
}


def sent_examples() -> dict[str, Any]:
    """Return the examples of a question that carries the whole history."""
    case = {name: value for name, value in example_case().items() if name != "replacement_in_days"}
    lead_time = {"usual_days": 9, "past": [{"days": 7}, {"days": 12}, {"days": 15, "arrived": False}]}
    return {
        "promised": {"summary": "A van whose pack comes in a week", "value": {"case": case, "in_days": 7}},
        "own_record": {
            "summary": "The same, with a quote and three own orders, one of them still open",
            "value": {"case": case, "lead_time": lead_time},
        },
    }
