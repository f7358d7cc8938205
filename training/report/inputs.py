"""What a calibration report is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput, Problem
from training.simulation.noise_floor import ForecastLimit

Origin = Literal["simulation", "shop", "both"]


@dataclass(frozen=True, eq=False)
class ReportInputs:
    """Forecasts for rows that the model has not seen, and what became of those rows.

    Attributes
    ----------
    survival : array, shape (n, g)
        The model's hold curves from the origin on.
    time : array, shape (n,)
        Day of return or censoring.
    event : array of bool, shape (n,)
    trained_on, scored_on : {"simulation", "shop", "both"}
        Where the model's and these rows come from; the report says in words what that allows to conclude.
    entry : array, shape (n,), optional
        Day from which each row was watched.
    peers : mapping of str to array of shape (n, g)
        Other forecasts of the same rows, by the name to print.
    limit : ForecastLimit, optional
        Where the process that made the rows is known: the error of the true probabilities of rows like these.
    censoring : array, shape (n, g), optional
        Probability of still being followed, for each row; without it being lost is taken as unrelated to the forecast.
    bounds : mapping of float to array of shape (n,)
        "Good for" days by their confidence, for example 0.9.
    groups : mapping of str to array of str, shape (n,)
        Label of each row, by the name of the grouping.
    model : mapping of str to str
        What identifies the model, in the order to print.
    made_at : str
        When the report was made, as it is to be printed.
    grid : array, shape (g,)
    """

    survival: Floats
    time: Floats
    event: NDArray[np.bool_]
    trained_on: Origin
    scored_on: Origin
    entry: Floats | None = None
    peers: Mapping[str, Floats] = field(default_factory=dict)
    limit: ForecastLimit | None = None
    censoring: Floats | None = None
    bounds: Mapping[float, Floats] = field(default_factory=dict)
    groups: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    model: Mapping[str, str] = field(default_factory=dict)
    made_at: str = ""
    grid: Floats = field(default_factory=lambda: DAYS)

    def check(self) -> None:
        """Raise `BadInput` for every part whose length is not that of `time`."""
        n = len(self.time)
        parts = {"survival": self.survival, "event": self.event, "entry": self.entry}
        parts |= {"censoring": self.censoring}
        parts |= {f"peers[{name}]": part for name, part in self.peers.items()}
        parts |= {f"bounds[{confidence:g}]": part for confidence, part in self.bounds.items()}
        parts |= {f"groups[{name}]": part for name, part in self.groups.items()}
        found = [
            Problem(name, f"has {len(part)} rows, but time has {n}.", "Give the same rows in the same order.")
            for name, part in parts.items()
            if part is not None and len(part) != n
        ]
        if found:
            raise BadInput(found)

    def of(self, rows: NDArray[np.bool_]) -> ReportInputs:
        """Return the inputs of some rows, without their groups."""

        def cut(part: Floats | None) -> Floats | None:
            return None if part is None else part[rows]

        return ReportInputs(
            survival=self.survival[rows],
            time=self.time[rows],
            event=self.event[rows],
            trained_on=self.trained_on,
            scored_on=self.scored_on,
            entry=cut(self.entry),
            peers={name: curves[rows] for name, curves in self.peers.items()},
            censoring=cut(self.censoring),
            bounds={confidence: days[rows] for confidence, days in self.bounds.items()},
            model=self.model,
            made_at=self.made_at,
            grid=self.grid,
        )
