"""What ``import tideover`` offers: forecasts, histories and top-up plans, with the model that the commands made.

A forecast without a moment counts from the newest record; whether that is too long ago to go by today says
`not_of_today`, which is told the time.

Installed under the name ``tideover``. Everything else is imported from `models`, `training` and `service`.

Examples
--------
>>> import tideover  # doctest: +SKIP
>>> forecaster = tideover.load_forecaster()  # doctest: +SKIP
>>> forecaster.forecast(history).good_for(confidence=0.9)  # doctest: +SKIP
>>> tideover.not_of_today(history, datetime.now(UTC))  # doctest: +SKIP
"""

from __future__ import annotations

import os
from pathlib import Path

from models.base.errors import BadInput, ModelRefused, OutOfReach, TideoverError
from models.forecaster import Forecaster
from models.forecasts.forecast import Forecast
from models.forecasts.last_seen import not_of_today
from models.packs.family import PackFamily
from models.packs.history import BlockReading, Outcome, PackHistory, TopUp, UsagePlan
from models.packs.tables import HistoryTables, history_of, tables_from_histories
from models.topup.plan import TopUpPlan, plan_topup
from service.core.settings import Settings
from training.files.families import load_families
from training.files.tables import read_tables, write_tables
from training.registry import ModelRegistry

__all__ = [
    "BadInput",
    "BlockReading",
    "Forecast",
    "Forecaster",
    "HistoryTables",
    "ModelRefused",
    "OutOfReach",
    "Outcome",
    "PackFamily",
    "PackHistory",
    "TideoverError",
    "TopUp",
    "TopUpPlan",
    "UsagePlan",
    "history_of",
    "load_families",
    "load_forecaster",
    "not_of_today",
    "plan_topup",
    "read_tables",
    "tables_from_histories",
    "write_tables",
]


def load_forecaster(home: Path | None = None) -> Forecaster:
    """Load the forecaster that answers.

    Parameters
    ----------
    home : Path, optional
        The folder for all state; that of the settings (``TIDEOVER_HOME``) if left out.

    Raises
    ------
    ModelRefused
        There is no model yet (`tideover train` makes one), or it may not be used.
    """
    settings = Settings.from_environment(os.environ, **({} if home is None else {"home": home}))
    found: Forecaster = ModelRegistry(settings.models_dir).load_current(Forecaster).model
    return found
