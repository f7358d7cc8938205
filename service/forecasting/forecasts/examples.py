"""Worked examples of a forecast request: an invented van of Marrow Bay, its readings made by the simulation."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any


def example_case() -> dict[str, Any]:
    """Return the case of van MB-VAN-07: one block topped up, readings before and after, a pack on order."""
    content: dict[str, Any] = json.loads(files(__package__).joinpath("example_case.json").read_bytes())
    return content


def request_examples() -> dict[str, Any]:
    """Return the examples shown in the OpenAPI document."""
    van = example_case()
    topup = {"time": van["history"]["topups"][0]["time"], "blocks": van["history"]["topups"][0]["blocks"]}
    return {
        "waiting_for_a_pack": {
            "summary": "A van of Marrow Bay with a replacement pack on order",
            "description": "Rest and load readings before the top-up, a rest reading after; the pack comes in a week.",
            "value": van,
        },
        "driven_less": {
            "summary": "The same van, if it did only 8 km a day",
            "value": {**van, "usage": {"km_per_day": 8, "trips_per_day": 1}},
        },
        "what_moves_it": {
            "summary": "The same van, and what its forecast rests on",
            "description": "Days that each kind of evidence adds or takes, and the past packs most like this one.",
            "value": {**van, "explain": True},
        },
        "hardly_anything_known": {
            "summary": "Only the top-up was written down",
            "description": "What is missing costs sharpness, not honesty: the answer is wider and its flags say why.",
            "value": {"history": {"pack_id": "MB-CAB-03", "family": van["history"]["family"], "topups": [topup]}},
        },
    }
