"""Worked examples of a recheck plan: the invented van of Marrow Bay."""

from __future__ import annotations

from typing import Any

from service.forecasting.forecasts.examples import example_case

STORED: dict[str, Any] = {
    "usual_risk": {"summary": "At a risk of one in ten", "value": {}},
    "one_in_four": {"summary": "For a van that is easily fetched: one in four", "value": {"risk": 0.25}},
}


def sent_examples() -> dict[str, Any]:
    """Return the examples shown in the OpenAPI document."""
    history = example_case()["history"]
    return {name: {**one, "value": {"history": history, **one["value"]}} for name, one in STORED.items()}
