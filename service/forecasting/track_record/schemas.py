"""What is told of the live record and of drift."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, Field

from training.report.content import WhatWeTold


class AlarmFacts(BaseModel):
    """Where the alarm stands that watches whether forecasts still come true."""

    raised: bool
    raised_on: datetime | None = Field(description="Day of the first alarm; null if there was none.")
    returns: int = Field(description="Faults that returned among the forecasts watched.")
    expected: float = Field(description="Returns that the forecasts had given the days watched.")
    evidence: float = Field(description="Against sound forecasts: 1 is none.")
    alarm_at: float = Field(description="Evidence at which the alarm goes off.")
    false_alarms_a_year: float = Field(
        description="Probability of a false alarm in a year of sound forecasts, at most."
    )
    sentence: str


class LiveRecord(BaseModel):
    """Every stored forecast scored once its outcome is known."""

    told: WhatWeTold | None = Field(description="By month of issue, and all together; null without a forecast.")
    alarm: AlarmFacts | None
    sentences: list[str] = Field(description="The same in plain words.")


class FeatureDriftFacts(BaseModel):
    """One feature of the evidence, in training and now."""

    feature: str
    meaning: str
    unit: str = Field(description="1 where it has none.")
    drifted: bool = Field(description="Differs by more than chance explains, and by enough to matter.")
    distance: float = Field(description="Largest gap between the two distributions of known values, 0 to 1.")
    p_value: float = Field(description="Corrected for how many features were looked at.")
    missing_then: float = Field(description="Share of the training's packs of which it was not known.")
    missing_now: float
    median_then: float | None = Field(description="Null where it is not known of any pack.")
    median_now: float | None


class Drift(BaseModel):
    """Whether the packs that come in now look like those the model learned from."""

    model_id: str
    since: datetime = Field(description="Top-ups from then on count as recent.")
    packs_then: int
    packs_now: int
    false_share: float = Field(description="Of the features called drifted, at most this share is so by chance.")
    features: list[FeatureDriftFacts] = Field(description="The furthest first; none with too few packs.")
    sentences: list[str]
