"""An invented record of forecasts as they were told, and of what became of the packs."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from models.base.day_grid import DAYS, GRID_VERSION
from service.store.opening import Store
from service.store.schema import IssuedForecast, Outcome, Pack

MEAN_DAYS = 25.0
ROW = {"recorded_by": "test", "version": 1}


def tell(store: Store, count: int, until: datetime, hazard_factor: float = 1.0) -> None:
    """Store forecasts of one curve, issued over eight months up to four months ago, all ended.

    Hazards are `hazard_factor` times as high as forecast; about a third of the packs are replaced before they return.
    """
    rng = np.random.default_rng(5)
    survival = np.exp(-DAYS / MEAN_DAYS).tolist()
    with store.writing() as session:
        for number in range(count):
            at = until - timedelta(days=360 - float(rng.uniform(0, 240)))
            life, lost = rng.exponential(MEAN_DAYS / hazard_factor), rng.exponential(40.0)
            pack = f"MB-VAN-{number}"
            session.add(Pack(id=pack, family="gravel-14", recorded_at=at, **ROW))
            session.flush()
            session.add(
                IssuedForecast(
                    pack_id=pack,
                    issued_at=at,
                    issued_by="test",
                    origin=at,
                    model_id="m1",
                    inputs_digest="d",
                    good_for_days=-MEAN_DAYS * np.log(0.9),
                    asked={},
                    answer={"survival": survival, "grid_version": GRID_VERSION},
                )
            )
            kind = "returned" if life <= lost else "replaced"
            end = at + timedelta(days=min(life, lost, 89.0))
            session.add(Outcome(pack_id=pack, time=end, kind=kind, recorded_at=end, **ROW))
