"""Forecast against observed return probability on a day: over all rows and in bins of forecast risk."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.censoring_weights import MIN_FOLLOWED, censoring_weights
from models.survival.kaplan_meier import KaplanMeier
from training.scoring.held_out import NotEstimable, checked_days, held_out, weighted_share


@dataclass(frozen=True)
class Agreement:
    """Forecast and observed return probability of some rows on one day.

    Attributes
    ----------
    rows, returned, unknown : int
        Rows that entered before the day; of these, seen to return by it, and lost from sight before it.
    forecast : float
        Mean forecast return probability.
    observed, low, high : float
        Censoring-weighted share that returned, with its interval.
    """

    rows: int
    returned: int
    unknown: int
    forecast: float
    observed: float
    low: float
    high: float

    @property
    def gap(self) -> float:
        """Observed minus forecast: above 0, more returns came than were forecast."""
        return self.observed - self.forecast


@dataclass(frozen=True)
class Reliability:
    """Agreement on one day.

    Attributes
    ----------
    overall : Agreement
        Calibration in the large.
    bins : tuple of Agreement
        By rising forecast risk.
    error : float
        Expected calibration error: mean of the absolute gaps of the bins, weighted by their rows.
    error_by_chance : float
        What this error would be on average for perfectly calibrated forecasts on as many rows.
    chi_square, p_value : float
        Test of all bins at once; small p means that the gaps are larger than chance makes them.
    truncated : int
        Rows whose censoring weight was cut.
    """

    day: float
    overall: Agreement
    bins: tuple[Agreement, ...]
    error: float
    error_by_chance: float
    chi_square: float
    p_value: float
    truncated: int


def reliability(
    survival: ArrayLike,
    time: ArrayLike,
    event: ArrayLike,
    entry: ArrayLike | None = None,
    *,
    day: float,
    bins: int = 10,
    grid: Floats = DAYS,
    censoring: KaplanMeier | Floats | None = None,
    min_followed: float = MIN_FOLLOWED,
    confidence: float = 0.95,
) -> Reliability:
    r"""Compare forecast with observed return probability by a day, overall and in bins of equal size by forecast risk.

    .. math::

        \hat F_B = \frac{\sum_{i \in B} w_i(t) 1\{T_i \le t\}}{\sum_{i \in B} w_i(t)}, \quad
        \mathrm{ECE}(t) = \sum_B \frac{n_B}{n} |\hat F_B - \bar F_B|, \quad
        X^2 = \sum_B \frac{n_B^{\mathrm{eff}} (\hat F_B - \bar F_B)^2}{\bar F_B (1 - \bar F_B)}

    With marginal censoring and no late entry the overall observed value is one minus the product-limit estimate. X²
    is compared with the chi-square distribution with one degree of freedom a bin.

    **Late entry.** A row that entered on day e > 0 counts for days after e only, with the forecast 1 − S(t)/S(e).

    Parameters
    ----------
    survival, time, event, entry, grid, censoring, min_followed
        As in `training.scoring.brier.brier_score`.
    bins : int
        Ten for deciles. Fewer come out where forecasts are tied across an edge.
    confidence : float
        Of the intervals.

    Raises
    ------
    BadInput
        If shapes or values do not fit.
    NotEstimable
        If no row's status on that day is known.

    References
    ----------
    Crowson, Atkinson & Therneau, Statistical Methods in Medical Research 25, 1692-1706, 2016; Naeini, Cooper &
    Hauskrecht, AAAI 2015 (expected calibration error); Hosmer & Lemeshow, Communications in Statistics 9, 1980.

    Examples
    --------
    Forecast 0.2 for four packs of which one returned by day 10.

    >>> curves = np.tile([1.0, 0.8], (4, 1))
    >>> found = reliability(curves, [6, 12, 13, 14], [True] * 4, day=10, grid=np.array([0.0, 10.0]))
    >>> found.overall.observed, round(found.overall.gap, 2), round(found.error, 2)
    (0.25, 0.05, 0.05)
    """
    if bins < 1:
        raise BadInput.one("bins", f"is {bins}.", "Ask for at least one bin.")
    rows = held_out(survival, time, event, entry, grid)
    at = checked_days([day], grid)
    found = censoring_weights(time, event, at, rows.entry, censoring=censoring, grid=grid, min_followed=min_followed)
    use = found.eligible[:, 0]
    if not use.any():
        raise NotEstimable(f"every row entered after day {day:g}")
    forecast = 1.0 - rows.given_entry(at)[use, 0]
    weights, returned = found.weights[use, 0], found.returned[use, 0]
    edges = np.unique(np.quantile(forecast, np.linspace(0, 1, bins + 1)[1:-1]))
    place = np.searchsorted(edges, forecast, side="left")
    parts = []
    spread = []
    for number in np.unique(place[weights > 0]):
        inside = place == number
        agreement, effective = _agreement(forecast[inside], returned[inside], weights[inside], confidence)
        parts.append(agreement)
        spread.append(max(agreement.forecast * (1 - agreement.forecast), 1e-12) / effective)
    overall, _ = _agreement(forecast, returned, weights, confidence)
    share = np.array([part.rows for part in parts]) / sum(part.rows for part in parts)
    gaps, variance = np.array([part.gap for part in parts]), np.array(spread)
    statistic = float((gaps**2 / variance).sum())
    return Reliability(
        day=float(day),
        overall=overall,
        bins=tuple(parts),
        error=float(share @ np.abs(gaps)),
        # The mean absolute value of a normal deviate is sqrt(2/π) times its standard deviation.
        error_by_chance=float(share @ np.sqrt(variance * 2 / np.pi)),
        chi_square=statistic,
        p_value=float(chi2.sf(statistic, len(parts))),
        truncated=int(found.truncated[0]),
    )


def _agreement(
    forecast: Floats, returned: NDArray[np.bool_], weights: Floats, confidence: float
) -> tuple[Agreement, float]:
    share = weighted_share(returned, weights, confidence)
    agreement = Agreement(
        rows=forecast.size,
        returned=int(returned.sum()),
        unknown=int((weights == 0).sum()),
        forecast=float(forecast.mean()),
        observed=share.estimate,
        low=share.low,
        high=share.high,
    )
    return agreement, share.effective
