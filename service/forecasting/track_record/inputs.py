"""Whether the packs that come in now still look like those the model learned from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
import pandas as pd
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.base.threads import thread_limit
from models.forecaster import Forecaster
from models.packs.family import PackFamily
from service.core.translation import _
from service.forecasting.track_record.schemas import Drift, FeatureDriftFacts
from service.records.history import tables_of
from service.store.schema import TopUp
from training.learning.back_test import known_by
from training.learning.moments import moments_of, one_moment_a_pack, survival_rows
from training.monitoring.drift import FALSE_SHARE, DriftReport, input_drift

RECENT: Final = timedelta(days=365)
"""A whole year, so that a season is not taken for a drift."""

MOST_PACKS: Final = 500
"""The most recent packs are compared, up to so many: enough to see a shift of a tenth."""


def drift_of(
    session: Session, forecaster: Forecaster, families: Mapping[str, PackFamily], now: datetime, *, threads: int
) -> Drift:
    """Compare the evidence on recent packs with that on the packs the model learned from, feature by feature.

    Moments are drawn from the store's record as they were for the training, one a pack, so that the habit of asking
    for forecasts does not count as a drift of packs. Nothing later than `now` is used.

    Parameters
    ----------
    forecaster : Forecaster
        Holds packs of its training (`models.forecasts.similar_packs.PastPacks`); one that holds none cannot be compared
        with.
    now : datetime
        With offset.
    threads : int
        Of the numerical libraries.
    """
    since = now - RECENT
    newest = func.max(TopUp.time)
    query = (
        select(TopUp.pack_id)
        .where(TopUp.time >= since, TopUp.time <= now)
        .group_by(TopUp.pack_id)
        .order_by(newest.desc(), TopUp.pack_id)
        .limit(MOST_PACKS)
    )
    packs = list(session.scalars(query))
    past = forecaster.past
    if past is None:
        nothing = _("The model keeps no packs of its training to compare.")
        return _told(forecaster, since, DriftReport((), 0, len(packs)), [nothing])
    then = pd.DataFrame(past.values, columns=list(past.names))
    found = DriftReport((), len(then), len(packs))
    if packs:
        with thread_limit(threads):
            found = input_drift(then, _features(session, families, packs, since, now)[list(past.names)])
    return _told(forecaster, since, found, found.sentences())


def _features(
    session: Session, families: Mapping[str, PackFamily], packs: list[str], since: datetime, now: datetime
) -> pd.DataFrame:
    known = known_by(tables_of(session, families, packs), now)
    moments = moments_of(known, np.random.default_rng(0))
    moments = moments[moments["origin"] >= pd.Timestamp(since)].reset_index(drop=True)
    drawn = one_moment_a_pack(moments, np.random.default_rng(1))
    X = survival_rows(known, moments[drawn].reset_index(drop=True)).X
    # The training's are kept in single precision; the same rounding keeps equal values equal.
    return X.astype(np.float32)


def _told(forecaster: Forecaster, since: datetime, found: DriftReport, sentences: list[str]) -> Drift:
    features = []
    for part in found.features:
        values: dict[str, Any] = asdict(part)
        for name in ("median_then", "median_now"):
            values[name] = None if math.isnan(values[name]) else values[name]
        features.append(FeatureDriftFacts(**values))
    return Drift(
        model_id=forecaster.model_id,
        since=since,
        packs_then=found.rows_then,
        packs_now=found.rows_now,
        false_share=FALSE_SHARE,
        features=features,
        sentences=sentences,
    )
