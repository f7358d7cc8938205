"""What a model takes and gives, for machines: written beside each model."""

from __future__ import annotations

from typing import Any

from models.base.day_grid import DAYS, GRID_VERSION
from models.features.definitions import FEATURES, FEATURES_VERSION
from models.packs.family import PackFamily
from models.packs.history import PackHistory


def input_signature(families: tuple[str, ...]) -> dict[str, Any]:
    """Describe inputs and output of the models that this program makes.

    Parameters
    ----------
    families : tuple of str
        Those that the model was trained on.

    Returns
    -------
    dict
        ``history`` and ``family``: JSON Schema (draft 2020-12) of what a forecast is asked with; a family may be one of
        ``families`` or come along. ``features``: the columns that are made from a history, in their order, each with
        unit, meaning and the direction that physics dictates; all are numbers, NaN where nothing is known. ``output``:
        one row of hold probabilities a history, on these days.
    """
    return {
        "history": PackHistory.model_json_schema(mode="validation"),
        "family": PackFamily.model_json_schema(mode="validation"),
        "families": list(families),
        "features_version": FEATURES_VERSION,
        "features": [
            {
                "name": feature.name,
                "type": "double",
                "unit": feature.unit,
                "meaning": str(feature.meaning),
                "direction": feature.direction,
                "evidence": feature.evidence,
            }
            for feature in FEATURES
        ],
        "output": {
            "name": "survival",
            "type": "double",
            "shape": [-1, len(DAYS)],
            "grid_version": GRID_VERSION,
            "days": DAYS.tolist(),
        },
    }
