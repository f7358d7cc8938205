"""What bears on a block before a charge: found in one pass, however long the history."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from models.packs.history import BlockReading, PackHistory, TopUp
from models.topup.evidence import bench_evidence, snapshot, weak_block_of
from models.topup.plan import plan_topup
from training.files.families import load_families

FAMILY = load_families()["gravel-14"]
START = datetime(2024, 1, 1, tzinfo=UTC)


def history_of(readings: int, topups: int, rng: np.random.Generator) -> PackHistory:
    """Invented: readings and top-ups at random hours of two years, some at the same hour, some blocks not read."""
    when = [[START + timedelta(hours=int(h)) for h in np.sort(rng.integers(0, 17_000, n))] for n in (readings, topups)]
    volts = rng.normal(12.9, 0.03, (readings, FAMILY.blocks)).round(2)
    missing = rng.random(volts.shape) < 0.2
    return PackHistory(
        pack_id="A",
        family=FAMILY.name,
        readings=tuple(
            BlockReading(
                time=at, state="rest", block_v=tuple(None if gone else v for v, gone in zip(row, lost, strict=True))
            )
            for at, row, lost in zip(when[0], volts.tolist(), missing.tolist(), strict=True)
        ),
        topups=tuple(TopUp(time=at, blocks=(int(rng.integers(1, 4)),), charge_ah=1.0) for at in when[1]),
    )


@pytest.mark.parametrize("seed", range(8))
def test_property_a_charge_stands_between_the_nearest_readings_of_its_block(seed):
    rng = np.random.default_rng(seed)
    history = history_of(int(rng.integers(2, 60)), int(rng.integers(1, 12)), rng)
    at = START + timedelta(hours=int(rng.integers(4_000, 17_000)))
    found = bench_evidence(history, FAMILY, 2, at).earlier
    ends = [topup.time for topup in history.topups]
    mine = [topup for topup in history.topups if topup.time <= at and 2 in topup.blocks]
    assert [charge.topup for charge in found] == mine
    shots = [s for r in history.readings if r.time <= at and (s := snapshot(FAMILY, r, 2)) is not None]
    for charge in found:
        place = ends.index(charge.topup.time)
        earliest = ends[place - 1] if place else START
        latest = ends[place + 1] if place + 1 < len(ends) else datetime.max.replace(tzinfo=UTC)
        before = [s for s in shots if earliest <= s.time < charge.topup.time]
        after = [s for s in shots if charge.topup.time <= s.time < latest]
        assert charge.before == (before[-1] if before else None)
        assert charge.after == (after[0] if after else None)


@pytest.mark.parametrize(("readings", "topups"), [(400, 1_000), (20_000, 2), (4_000, 1_000)])
def test_a_long_history_takes_no_longer_than_its_length(readings, topups):
    history = history_of(readings, topups, np.random.default_rng(3))
    began = time.process_time()
    weak_block_of(FAMILY, history.model_copy(update={"topups": ()}), history.readings[-1].time)
    bench_evidence(history, FAMILY, 2, history.last_fact_time)
    plan_topup(history, FAMILY, block=2)
    # Before, the first took 27 s and the second 89 s; now each takes a few tenths.
    assert time.process_time() - began < 5
