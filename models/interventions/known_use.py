"""Giving simulated packs the use and the weather that are planned for a real one; what is not known stays their own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.interventions.forward_runs import Ready
from models.physics.use_process import YEAR_DAYS

KM_ERROR: Final = 0.15
"""Standard deviation of the logarithm of kilometres and trips driven to those planned. Invented, as in the simulated
workshops."""

AMBIENT_ERROR_C: Final = 1.5
"""Standard deviation of the mean temperature of the next weeks around the expected one, °C. Invented, likewise."""

LOOK_AHEAD_DAYS: Final = 7.0
"""An expected temperature is taken to speak of the weather this many days on. Invented."""

PLANNED_SPELL_DAYS: Final = 30.0
"""A plan tells the days without a trip among this many."""


def with_known_use(packs: Ready, known: Mapping[str, float], day_of_year: float, rng: np.random.Generator) -> Ready:
    """Set use and season of simulated packs to what is planned for the real one.

    Parameters
    ----------
    packs : Ready
        n packs.
    known : mapping of str to float
        ``km_per_day``, ``trips_per_day``, ``parked_days_in_30`` and ``ambient_c``; NaN where not known.
    day_of_year : float
        Of the moment from which they are run forward.

    Returns
    -------
    Ready
        Kilometres and trips scatter around the plan, as real ones do.
    """
    n, use = packs.packs, packs.use
    km_z, trips_z, weather_z, when = (*rng.standard_normal((3, n)), rng.random(n))
    # The season is that of the real pack's date; by whole weeks, so that each keeps its own weekdays.
    weeks = np.round((day_of_year - packs.day - use.start_day_of_year) / 7)
    use = replace(use, start_day_of_year=(use.start_day_of_year + 7 * weeks).astype(np.float32))
    if not np.isnan(known["km_per_day"]):
        factor = known["km_per_day"] * np.exp(KM_ERROR * km_z) / np.maximum(use.planned_km_per_day(), 1e-3)
        use = replace(use, km_per_day=(use.km_per_day * factor).astype(np.float32))
    if not np.isnan(known["trips_per_day"]):
        trips = known["trips_per_day"] * np.exp(KM_ERROR * trips_z)
        use = replace(use, trips_per_day=trips.astype(np.float32))
    if not np.isnan(known["ambient_c"]):
        # Where nothing is planned the temperature is one that was read on the pack, where it stands.
        planned = not all(np.isnan(known[name]) for name in ("km_per_day", "trips_per_day", "parked_days_in_30"))
        now = use.ambient_c(packs.day + LOOK_AHEAD_DAYS) - (use.warmth_c if planned else 0)
        gap = known["ambient_c"] + AMBIENT_ERROR_C * weather_z - now
        use = replace(use, season_mean_c=(use.season_mean_c + gap).astype(np.float32))
    if not np.isnan(known["parked_days_in_30"]):
        parked = known["parked_days_in_30"]
        beyond = np.maximum(use.parking_start, packs.day + PLANNED_SPELL_DAYS)
        start = packs.day + np.floor(when * (PLANNED_SPELL_DAYS - parked + 1)) if parked > 0 else beyond
        length = np.full(n, parked) if parked > 0 else use.parking_days
        use = replace(use, parking_start=start.astype(np.float32), parking_days=length.astype(np.float32))
    return replace(packs, use=use)


def day_of_year(days_since_1970: Floats | float) -> float:
    """Day of the year, 0 to 365.25, of a time in days since 1970."""
    return float(days_since_1970 % YEAR_DAYS)
