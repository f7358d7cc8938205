"""Worked examples of a question for a top-up plan: the invented van of Marrow Bay, before and after its charge."""

from __future__ import annotations

from typing import Any

from service.forecasting.forecasts.examples import example_case

STORED: dict[str, Any] = {
    "as_it_stands": {"summary": "The weakest block, as things stand", "value": {}},
    "another_block_in_the_cold": {
        "summary": "Another block, with the pack at 4 °C",
        "value": {"block": 2, "ambient_c": 4},
    },
}


def sent_examples() -> dict[str, Any]:
    """Return the examples shown in the OpenAPI document."""
    history = example_case()["history"]
    charged = history["topups"][0]["time"]
    before = {
        **history,
        "readings": [reading for reading in history["readings"] if reading["time"] < charged],
        "topups": [],
        "usage": [{**plan, "time": None} for plan in history.get("usage", [])],
    }
    return {
        "before_the_charge": {
            "summary": "A van of Marrow Bay with one block down, not yet charged",
            "description": "Readings at rest and under load; how much, how, where to stop, and what it buys.",
            "value": {"history": before},
        },
        "after_the_charge": {
            "summary": "The same van a day later: what went in against what was expected",
            "value": {"history": history},
        },
        "driven_less": {
            "summary": "What the charge buys if it does only 8 km a day",
            "value": {"history": before, "usage": {"km_per_day": 8, "trips_per_day": 1}},
        },
    }
