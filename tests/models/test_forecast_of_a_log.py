"""A forecast from a drive log: no single second, left out, moves the answer by more than the log's own error does."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from models.packs.drive_log import summarised
from models.packs.history import BlockReading, PackHistory, TopUp

BLOCKS, SECONDS = 14, 900
CHARGED = datetime(2026, 3, 2, 12, tzinfo=UTC)


def log(seed):
    """Invented: a quarter of an hour's drive the day after, one row a second; block 5 a little low, with more ohms."""
    rng = np.random.default_rng(seed)
    amps = np.round(35 * np.sin(np.arange(SECONDS) / 17) + 10 * rng.standard_normal(SECONDS), 2)
    level, ohms = np.full(BLOCKS, 13.0), np.full(BLOCKS, 0.045)
    level[4], ohms[4] = 12.93, 0.050
    volts = level - amps[:, None] * ohms + 0.02 * rng.standard_normal((SECONDS, BLOCKS))
    return [
        BlockReading(
            time=CHARGED + timedelta(days=1, seconds=t),
            state="discharge" if a >= 0 else "charge",
            current_a=a,
            block_v=tuple(v),
        )
        for t, (a, v) in enumerate(zip(amps.tolist(), volts.tolist(), strict=True))
    ]


def answers(forecaster, logs):
    """Hold curve on all days, and days good for, of each log after the same visit. Shape (logs, days + 1)."""
    rest = [13.0] * BLOCKS
    low = [*rest[:4], 12.7, *rest[5:]]
    found = []
    for told in logs:
        before = BlockReading(time=CHARGED - timedelta(hours=4), state="rest", block_v=low)
        after = BlockReading(time=CHARGED + timedelta(hours=18), state="rest", block_v=rest)
        history = PackHistory(
            pack_id="P",
            family="gravel-14",
            readings=(before, after, *told),
            topups=(TopUp(time=CHARGED, blocks=(5,), charge_ah=1.2),),
        )
        forecast = forecaster.forecast(history, at=CHARGED + timedelta(days=1, hours=1))
        found.append([*forecast.survival, forecast.good_for(0.9) / 90])
    return np.array(found)


def moved(told, block, by):
    """Each reading with one block's volts moved by so many of its standard errors."""
    return [
        r.model_copy(update={"block_v": tuple(v + by * r.log_error_v * (b == block) for b, v in enumerate(r.block_v))})
        for r in told
    ]


def test_no_second_of_a_log_moves_the_answer_by_more_than_its_error(small_trained):
    whole = log(1)
    told = [reading for _, reading in summarised(whole)]
    seconds = np.random.default_rng(2).choice(SECONDS, 25, replace=False)
    without = [[reading for _, reading in summarised(whole[:at] + whole[at + 1 :])] for at in seconds]
    errors = [moved(told, 4, by) for by in (-2, -1, 1, 2)]
    one, *others = answers(small_trained.forecaster, [told, *without, *errors])
    left_out, within = np.abs(np.array(others[:25]) - one).max(), np.abs(np.array(others[25:]) - one).max()
    assert left_out <= within + 1e-9
    assert left_out < 0.01
    # As rows, the newest second alone is what the forecast sees under load.
    rows = answers(small_trained.forecaster, [whole[-60:-5], whole[-60:-15]])
    assert np.abs(rows[0] - rows[1]).max() > left_out
