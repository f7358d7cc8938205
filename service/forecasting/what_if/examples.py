"""Worked examples of a what-if: the invented van of Marrow Bay."""

from __future__ import annotations

from typing import Any

from service.forecasting.forecasts.examples import example_case

_FEWER: dict[str, Any] = {
    "plans": [
        {"name": "town trips only", "km_share": 0.4},
        {"name": "in the shed, from Monday on", "cooler_k": 6, "start_after_days": 3},
        {"name": "block swapped", "swap_block": True},
    ]
}

STORED: dict[str, Any] = {
    "usual_plans": {"summary": "The usual plans", "value": {}},
    "own_plans": {"summary": "Plans of one's own", "value": _FEWER},
}


def sent_examples() -> dict[str, Any]:
    """Return the examples shown in the OpenAPI document."""
    history = example_case()["history"]
    return {
        "usual_plans": {
            "summary": "A van of Marrow Bay under the usual plans",
            "description": "Fewer kilometres or trips, cooler, later, topped up again, connections cleaned, swaps.",
            "value": {"history": history},
        },
        "own_plans": {"summary": "Plans of one's own", "value": {"history": history, **_FEWER}},
    }
