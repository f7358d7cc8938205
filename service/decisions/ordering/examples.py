"""Worked examples of questions about ordering: Marrow Bay, invented."""

from __future__ import annotations

from typing import Any, Final

from service.decisions.release.examples import sent_examples

COSTS: Final[dict[str, Any]] = {
    "currency": "EUR",
    "stranding": 600,
    "day_off_road": 60,
    "capital_per_day": 0.5,
    "return_value": 900,
}

STORED: Final[dict[str, Any]] = {
    "house": {"summary": "At one in ten, with the costs the house has stated", "value": {}},
    "stated": {"summary": "At one in twenty, with costs for this question", "value": {"risk": 0.05, "costs": COSTS}},
}


def sent_orders_examples() -> dict[str, Any]:
    """Return the example of a question that carries history and offers."""
    case = sent_examples()["promised"]["value"]["case"]
    offers = [
        {
            "supplier": "North Quay Stores",
            "currency": "EUR",
            "price": 1450,
            "usual_days": 9,
            "earliest_days": 6,
            "latest_days": 21,
            "past": [{"days": 8}, {"days": 16}, {"days": 12, "arrived": False}],
        },
        {
            "supplier": "North Quay Stores",
            "currency": "EUR",
            "price": 1450,
            "express_fee": 190,
            "usual_days": 3,
            "earliest_days": 2,
            "latest_days": 5,
        },
    ]
    value = {"case": case, "offers": offers, "costs": COSTS, "risk": 0.1}
    return {"ordinary_or_express": {"summary": "One supplier, ordinary or express", "value": value}}
