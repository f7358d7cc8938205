"""The nightly self-check: frozen cases forecast again, the alarm of the live record, drift of packs that come in."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

import numpy as np
from sqlalchemy.orm import Session

from models.base import counts
from models.packs.family import PackFamily
from service.core.translation import _
from service.forecasting.forecasts.answers import answer
from service.forecasting.forecasts.cases import checked_case
from service.forecasting.forecasts.examples import request_examples
from service.forecasting.forecasts.schemas import ForecastCase
from service.forecasting.track_record.inputs import drift_of
from service.forecasting.track_record.reading import live_record
from training.registry import StoredModel

SAME: Final = 1e-6
"""Probabilities, and days, that differ by less are the same: libraries on other processors round otherwise. Ours."""

CURVES: Final = ("survival", "band_low", "band_high")


def frozen_forecasts(model: StoredModel, families: Mapping[str, PackFamily], *, threads: int) -> dict[str, Any]:
    """Forecast the published examples, by name, as the service would tell them."""
    told = {}
    for name, example in request_examples().items():
        case = checked_case(ForecastCase, {**example["value"], "explain": False})
        found = answer(case, model.model, families, threads=threads)
        told[name] = {
            "inputs_digest": found.inputs_digest,
            **{curve: getattr(found, curve) for curve in CURVES},
            "good_for": [promise.days for promise in found.good_for],
        }
    return told


def largest_difference(now: Mapping[str, Any], then: Mapping[str, Any]) -> tuple[float, str]:
    """Return the largest difference between two forecasts of the same inputs, and the case it lies in.

    What differs in a way that cannot be subtracted, as by a case of which nothing is told any more, is infinite.
    """
    worst, where = 0.0, ""
    for name, before in then.items():
        after = now.get(name, {})
        if name in now and after["inputs_digest"] != before["inputs_digest"]:
            continue  # a newer program asks another question by this name
        for part in (*CURVES, "good_for"):
            a, b = np.asarray(after.get(part, []), np.float64), np.asarray(before[part], np.float64)
            told = np.abs(a - b) if a.shape == b.shape else np.array([np.inf])
            apart = float(np.max(told[~np.isnan(told)], initial=0.0))  # days that are withheld cannot differ
            if not apart <= worst:
                worst, where = apart, name
    return worst, where


def self_check(
    session: Session,
    model: StoredModel,
    families: Mapping[str, PackFamily],
    now: datetime,
    frozen: Mapping[str, Any] | None,
    *,
    threads: int,
) -> dict[str, Any]:
    """Look whether the service still tells what it told, and whether that still comes true.

    Parameters
    ----------
    frozen : mapping or None
        Result of the first self-check of this model; None if this is the first.

    Returns
    -------
    dict
        Plain values: ``sound``, ``difference`` (null the first time), ``alarm``, ``drifted``, ``cases``, ``sentences``.
    """
    cases = frozen_forecasts(model, families, threads=threads)
    sentences, difference, sound = [], None, True
    if frozen is None:
        sentences.append(
            _("To compare with, the forecasts of %(count)s are kept.") % {"count": _(counts.cases(len(cases)))}
        )
    else:
        worst, where = largest_difference(cases, frozen["cases"])
        sound = worst <= SAME
        difference = worst if np.isfinite(worst) else 1e9
        said = (
            _("Every case kept for comparison (%(count)s) is forecast as it was at first.")
            if sound
            else _("ALARM: the case %(case)s is not forecast as at first, though by the same model: look what changed.")
        )
        sentences.append(said % {"count": len(frozen["cases"]), "case": where})
    record = live_record(session, now)
    drift = drift_of(session, model.model, families, now, threads=threads)
    sentences += [*([] if record.alarm is None else [record.alarm.sentence]), *drift.sentences]
    return {
        "sound": sound,
        "difference": difference,
        "model_id": model.manifest.model_id,
        "payload_sha256": model.manifest.payload_sha256,
        "alarm": None if record.alarm is None else record.alarm.raised,
        "evidence": None if record.alarm is None else record.alarm.evidence,
        "drifted": [feature.feature for feature in drift.features if feature.drifted],
        "cases": cases,
        "sentences": sentences,
    }
