"""Scores for hold curves on rows that were not used to fit them.

One function is one score. All take the forecast, ``time``, ``event`` and ``entry`` in that order, the rest by name;
all count censored rows by inverse probability of censoring weights and say how they treat late entry; none prints or
plots. `NotEstimable` says that the rows are sound but too few or too alike for a score.
"""

from training.scoring.brier import (
    BrierDifference,
    BrierScore,
    IntegratedBrier,
    brier_score,
    integrated_brier_difference,
    integrated_brier_score,
)
from training.scoring.concordance import Concordance, harrell_c, uno_c
from training.scoring.coverage import Coverage, bound_coverage
from training.scoring.distribution import DistributionCalibration, distribution_calibration
from training.scoring.held_out import NotEstimable
from training.scoring.reliability import Agreement, Reliability, reliability
from training.scoring.smooth_calibration import (
    CalibrationLine,
    SmoothCalibration,
    calibration_line,
    integrated_calibration_index,
)

__all__ = [
    "Agreement",
    "BrierDifference",
    "BrierScore",
    "CalibrationLine",
    "Concordance",
    "Coverage",
    "DistributionCalibration",
    "IntegratedBrier",
    "NotEstimable",
    "Reliability",
    "SmoothCalibration",
    "bound_coverage",
    "brier_score",
    "calibration_line",
    "distribution_calibration",
    "harrell_c",
    "integrated_brier_difference",
    "integrated_brier_score",
    "integrated_calibration_index",
    "reliability",
    "uno_c",
]
