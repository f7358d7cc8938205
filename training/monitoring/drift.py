"""Whether the packs that come in now still look like those the model learned from, feature by feature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy.stats import false_discovery_control, fisher_exact, ks_2samp

from models.base import counts
from models.base.errors import BadInput
from models.features.definitions import FEATURES

FALSE_SHARE: Final = 0.05
"""Of the features called drifted, at most this share is expected to be so by chance."""

LEAST_ROWS: Final = 30
"""Recent packs below which nothing is said."""

LEAST_DISTANCE: Final = 0.1
LEAST_MISSING: Final = 0.1
"""Distance of the distributions (largest gap of their shares below any value), and change of the share missing, from
which a drift that chance does not explain is worth a sentence. Invented."""

_FEATURE: Final = {f.name: f for f in FEATURES}


@dataclass(frozen=True)
class FeatureDrift:
    """One feature, then and now.

    Attributes
    ----------
    distance : float
        Largest gap between the two distributions of known values (Kolmogorov and Smirnov); 0 where it cannot be told.
    p_value : float
        Of distance and missing share together, corrected for how many features were looked at.
    missing_then, missing_now : float
        Share not known.
    median_then, median_now : float
        NaN where nothing is known.
    """

    feature: str
    meaning: str
    unit: str
    distance: float
    p_value: float
    missing_then: float
    missing_now: float
    median_then: float
    median_now: float
    drifted: bool

    def sentence(self) -> str:
        """Say it in words."""
        what = self.meaning[0].upper() + self.meaning[1:]
        parts = []
        if self.distance >= LEAST_DISTANCE:
            unit = "" if self.unit == "1" else f" {self.unit}"
            parts.append(
                f"its median was {self.median_then:.3g}{unit} in training and is {self.median_now:.3g}{unit} now"
            )
        if abs(self.missing_now - self.missing_then) >= LEAST_MISSING:
            parts.append(
                f"it was missing for {100 * self.missing_then:.0f} of 100 packs and is for "
                f"{100 * self.missing_now:.0f} now"
            )
        return f"{what}: {'; '.join(parts)}."


@dataclass(frozen=True)
class DriftReport:
    """All features, the furthest first."""

    features: tuple[FeatureDrift, ...]
    rows_then: int
    rows_now: int

    @property
    def drifted(self) -> tuple[FeatureDrift, ...]:
        """Features that have drifted."""
        return tuple(f for f in self.features if f.drifted)

    def sentences(self) -> list[str]:
        """Say what has drifted, or that nothing has."""
        if not self.features:
            now = counts.packs(self.rows_now)
            return [f"Only {now} of late: {LEAST_ROWS} are needed for a comparison with the training."]
        if not self.drifted:
            count = len(self.features)
            return [f"The last {self.rows_now} packs look like those the model learned from, in all {count} features."]
        share = f"{len(self.drifted)} of {len(self.features)}"
        return [
            f"{share} features differ from the training by more than chance explains.",
            *(f.sentence() for f in self.drifted),
        ]


def input_drift(then: pd.DataFrame, now: pd.DataFrame) -> DriftReport:
    """Compare recent inputs with those of the training.

    Parameters
    ----------
    then, now : DataFrame
        Features, one row for each independent pack: rows of one pack would count its oddities several times.

    Returns
    -------
    DriftReport
        A feature counts as drifted if the two-sample Kolmogorov-Smirnov test of its known values or Fisher's exact
        test of its missing share (the smaller p, doubled) stays below `FALSE_SHARE` after the correction of Benjamini
        and Hochberg over all features, and the difference is large enough to matter.

    Raises
    ------
    BadInput
        If the columns differ.

    References
    ----------
    Benjamini & Hochberg (1995), JRSS B 57, 289-300.
    """
    if list(then.columns) != list(now.columns):
        raise BadInput.one("now", "has other columns than the training.", "Compute both with the same features.")
    if len(now) < LEAST_ROWS or len(then) < LEAST_ROWS:
        return DriftReport((), len(then), len(now))
    raw: list[tuple[str, float, float, float, float, float, float]] = []
    for name in then.columns:
        before, after = (frame[name].to_numpy(np.float64) for frame in (then, now))
        known = [values[~np.isnan(values)] for values in (before, after)]
        counts = [[len(k), len(v) - len(k)] for k, v in zip(known, (before, after), strict=True)]
        p_missing = float(fisher_exact(counts).pvalue)
        distance, p_values = 0.0, 1.0
        if min(map(len, known)) >= 2:
            test = ks_2samp(*known, method="asymp")
            distance, p_values = float(test.statistic), float(test.pvalue)
        medians = [float(np.median(k)) if len(k) else float("nan") for k in known]
        shares = [c[1] / sum(c) for c in counts]
        p_both = min(1.0, 2 * min(p_missing, p_values))
        raw.append((str(name), distance, p_both, shares[0], shares[1], medians[0], medians[1]))
    adjusted = false_discovery_control([r[2] for r in raw])
    found = []
    for (name, distance, _, miss_then, miss_now, med_then, med_now), p in zip(raw, adjusted, strict=True):
        matters = distance >= LEAST_DISTANCE or abs(miss_now - miss_then) >= LEAST_MISSING
        known_as = _FEATURE.get(str(name))
        meaning, unit = (str(name), "1") if known_as is None else (known_as.meaning, known_as.unit)
        found.append(
            FeatureDrift(
                feature=str(name),
                meaning=meaning,
                unit=unit,
                distance=distance,
                p_value=float(p),
                missing_then=miss_then,
                missing_now=miss_now,
                median_then=med_then,
                median_now=med_now,
                drifted=bool(matters and p < FALSE_SHARE),
            )
        )
    found.sort(key=lambda f: (-f.drifted, -max(f.distance, abs(f.missing_now - f.missing_then))))
    return DriftReport(tuple(found), len(then), len(now))
