"""What a calibration report holds, as data: the same figures on the page and in JSON."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from training.report.inputs import Origin
from training.scoring import (
    BrierDifference,
    BrierScore,
    CalibrationLine,
    Concordance,
    Coverage,
    DistributionCalibration,
    IntegratedBrier,
    NotEstimable,
    Reliability,
    SmoothCalibration,
)
from training.simulation.noise_floor import ForecastLimit

SCHEMA_VERSION: Final = "1"

Level = Literal["holds", "off", "open"]
MonthVerdict = Literal["agrees", "more returned", "fewer returned", "too few"]
Topic = Literal["level", "spread", "fit", "distribution", "bound", "comparison", "follow-up"]
Share = Annotated[float, Field(gt=0, lt=1)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Thresholds(_Part):
    """The rules' numbers. All are our own choice, made once for all models (common practice, no source)."""

    confidence: Share = Field(
        0.99, description="that no interval misses, over all days of all rows, and again over all days of all groups"
    )
    gap: Share = Field(0.03, description="gap between forecast and observed returns that matters")
    gap_excluded: Share = Field(0.10, description="gap that the interval must exclude before a verdict is favourable")
    slope: Share = Field(0.15, description="departure of the calibration slope from 1 that matters")
    bin_share: Share = Field(0.02, description="departure of a tenth of the forecast distribution that matters")
    p_value: Share = Field(0.01, description="below this, shared out as the intervals are, chance is ruled out")
    bound_short: Share = Field(0.02, description="shortfall of a bound that matters")
    bound_excluded: Share = Field(0.05, description="shortfall that must be excluded before a verdict is favourable")
    bound_spare: Share = Field(0.03, description="excess above which a bound is called shorter than it need be")
    cut_weights: Share = Field(0.01, description="share of cut censoring weights above which a warning is given")
    least_rows: int = Field(200, ge=50, description="rows a group needs to be shown")
    least_known: int = Field(100, ge=20, description="rows of known status a day needs to be shown")

    def require_rows(self, rows: int) -> None:
        """Raise `NotEstimable` where there are too few rows to judge by."""
        if rows < self.least_rows:
            raise NotEstimable(f"fewer than {self.least_rows} rows")


class DayFigures(_Part):
    """Calibration on one day."""

    day: float
    reliability: Reliability
    smooth: SmoothCalibration | None
    line: CalibrationLine | None
    missing: tuple[str, ...]


PEERS: Final = {
    "Kaplan–Meier": "one curve for all packs (Kaplan–Meier)",
    "first passage": "the time a steady leak takes to the limit (first passage)",
    "Cox": "a regression on the same figures (Cox)",
    "As it stood": "the model as it stood before",
}
"""Other forecasts, as a sentence says them."""


class Comparison(_Part):
    """The model's mean squared error less another forecast's."""

    name: str
    score: IntegratedBrier
    difference: BrierDifference

    @property
    def whose(self) -> str:
        """Whose forecast it is, as a sentence says it."""
        return PEERS.get(self.name, self.name)


PACKS: Final = {
    **{("season", season): f"packs topped up in {season}" for season in ("spring", "summer", "autumn", "winter")},
    ("evidence", "rich"): "packs of which much was measured",
    ("evidence", "thin"): "packs of which little was measured",
    ("situation", "fresh, rich"): "packs just topped up, of which much was measured",
    ("situation", "fresh, thin"): "packs just topped up, of which little was measured",
    ("situation", "fresh, bare"): "packs just topped up, of which only rest readings are known",
    ("situation", "holding, read since"): "packs that have driven since, and were read again",
    ("situation", "holding, not read since"): "packs that have driven since, and were not read again",
    ("situation", "holding, bare"): "packs that have driven since, of which only rest readings are known",
}
"""Groups of packs that go by more than a name, as a sentence says them."""


class GroupFigures(_Part):
    """All figures of one group of rows; `looks` is how many chances of a false alarm share the allowance."""

    grouping: str
    value: str
    looks: int
    rows: int
    returned: int
    days: tuple[DayFigures, ...]
    distribution: DistributionCalibration
    bounds: tuple[Coverage, ...]
    score: IntegratedBrier
    comparisons: tuple[Comparison, ...]
    missing: tuple[str, ...]

    @property
    def name(self) -> str:
        """How the group is called in tables."""
        return f"{self.grouping} {self.value}" if self.grouping else "all rows"

    @property
    def whom(self) -> str:
        """Of which packs the group is, as a sentence says it behind "of"."""
        if not self.grouping:
            return "all packs"
        return PACKS.get((self.grouping, self.value), f"packs of {self.grouping} {self.value}")


class TooSmall(_Part):
    """A group that cannot be judged."""

    grouping: str
    value: str
    rows: int
    why: str


class BrierByDay(_Part):
    """Squared error by day of one forecast."""

    name: str
    role: Literal["model", "peer"]
    score: BrierScore


class FollowUp(_Part):
    """Who was watched, and for how long."""

    rows: int
    returned: int
    lost: int
    held_to_horizon: int
    late_entries: int
    median_days: float | None
    days: tuple[float, ...]
    followed: tuple[float, ...]
    unknown: tuple[int, ...]
    by_row: bool


class Verdict(_Part):
    """One line of judgement."""

    level: Level
    topic: Topic
    group: str
    sentence: str


class ToldMonth(_Part):
    """Forecasts issued in one month, and what came of them; shares are None where too little is known."""

    month: str
    models: tuple[str, ...]
    forecasts: int
    settled: int
    returned: int
    expected: float
    forecast: float | None
    observed: float | None
    low: float | None
    high: float | None
    verdict: MonthVerdict
    brier: float | None
    kept: float | None
    kept_low: float | None
    kept_high: float | None


class WhatWeTold(_Part):
    """The live record: forecasts as they were issued, scored once their outcomes were known."""

    until: str
    day: float
    confidence: Share
    whole: ToldMonth
    months: tuple[ToldMonth, ...]
    alarm: str
    alarm_raised: bool
    sentences: tuple[str, ...]


class WorldFigures(_Part):
    """A forecaster in one world: squared errors of it and of its own plain curve, returns, promises."""

    world: int
    rows: int
    score: float
    common: float
    forecast: float
    observed: float
    error: float
    error_by_chance: float
    held: float


class InWorlds(_Part):
    """How one figure is spread over worlds: the least, quartiles, the most."""

    least: float
    lower: float
    median: float
    upper: float
    most: float


class ByWorld(_Part):
    """A forecaster in simulated worlds that no part of it was made from.

    `ratio` is its squared error by that of the world's own Kaplan–Meier curve, `beyond` the share back by `day` as
    forecast less as seen, `error` the bin error of that day above chance, `held` the share of good-for days kept, and
    `keeping` the share of worlds that keep them to within `short`.
    """

    day: float
    confidence: Share
    short: float
    keeping: float
    ratio: InWorlds
    beyond: InWorlds
    error: InWorlds
    held: InWorlds
    worlds: tuple[WorldFigures, ...]


class CalibrationReport(_Part):
    """A calibration report; `model_dump_json` is its JSON form."""

    schema_version: Literal["1"] = SCHEMA_VERSION
    made_at: str
    model: dict[str, str]
    trained_on: Origin
    scored_on: Origin
    origin_sentence: str
    grid_version: str
    horizon_days: float
    thresholds: Thresholds
    verdicts: tuple[Verdict, ...]
    follow_up: FollowUp
    whole: GroupFigures
    uno: Concordance | None
    harrell: Concordance | None
    brier_by_day: tuple[BrierByDay, ...]
    limit: ForecastLimit | None = None
    groups: tuple[GroupFigures, ...]
    too_small: tuple[TooSmall, ...]
    cautions: tuple[str, ...]
    told: WhatWeTold | None = None
    by_world: ByWorld | None = None
