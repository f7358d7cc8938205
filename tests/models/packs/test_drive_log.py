"""Drive logs told by lines: against statsmodels' least squares, simulated truth, and single seconds."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import statsmodels.api as sm

from models.packs.drive_log import lines_of, summarised
from models.packs.history import BlockReading

BLOCKS = 28
RESISTANCE = np.linspace(0.018, 0.030, BLOCKS)
LEVEL = 7.9 + 0.01 * np.arange(BLOCKS)
NOISE_V = 0.02


def drive(seconds: int = 1200, seed: int = 1):
    """Invented: current as a car drives, volts from a level, a resistance and what a meter adds."""
    rng = np.random.default_rng(seed)
    amps = np.round(35 * np.sin(np.arange(seconds) / 17) + 10 * rng.standard_normal(seconds), 2)
    amps[:60] = 0.0
    drawn = np.concatenate([[0.0], np.cumsum(amps[:-1])]) / 3600
    volts = LEVEL - amps[:, None] * RESISTANCE - 0.05 * drawn[:, None]
    return amps, drawn, volts + NOISE_V * rng.standard_normal(volts.shape)


def readings(amps, volts):
    began = datetime(2026, 3, 2, 8, tzinfo=UTC)
    states = ["rest" if t < 60 else "discharge" if a >= 0 else "charge" for t, a in enumerate(amps)]
    return [
        BlockReading(time=began + timedelta(seconds=t), state=s, current_a=a, temperature_c=20.0, block_v=tuple(v))
        for t, (s, a, v) in enumerate(zip(states, amps.tolist(), volts.tolist(), strict=True))
    ]


def test_lines_are_those_of_ordinary_least_squares():
    """Reference: statsmodels.api.OLS, coefficients and standard errors. Normal noise seldom lies 6 deviations off."""
    amps, drawn, volts = drive()
    on = amps > 2
    found = lines_of(volts[on], amps[on], drawn[on], 40.0)
    for b in (0, 13, 27):
        fit = sm.OLS(volts[on, b], np.column_stack([np.ones(on.sum()), amps[on], drawn[on] - drawn[on].mean()])).fit()
        assert found.resistance_ohm[b] == pytest.approx(-fit.params[1], rel=1e-9)
        assert found.resistance_error_ohm[b] == pytest.approx(fit.bse[1], rel=1e-9)
        at = fit.get_prediction([[1.0, 40.0, 0.0]])
        assert found.level_v[b] == pytest.approx(at.predicted[0] if hasattr(at, "predicted") else at.predicted_mean[0])
        assert found.level_error_v[b] == pytest.approx(at.se_mean[0])


def test_truth_comes_back_within_its_errors():
    """Over 20 logs of 28 blocks, 95 of 100 resistances lie within 1.96 errors; 90 to 98.5 is Monte-Carlo error."""
    off = []
    for seed in range(20):
        amps, drawn, volts = drive(seed=seed)
        on = amps > 2
        found = lines_of(volts[on], amps[on], drawn[on], 40.0)
        off.append(np.abs(found.resistance_ohm - RESISTANCE) / found.resistance_error_ohm)
    assert 0.90 < np.mean(np.array(off) < 1.96) < 0.985


def test_a_log_is_told_by_one_reading_a_state():
    amps, _, volts = drive()
    told = [reading for _, reading in summarised(readings(amps, volts))]
    assert sorted(r.state for r in told) == ["charge", "discharge", "rest"]
    for reading in told:
        expected = LEVEL - RESISTANCE * (reading.current_a or 0.0)
        assert np.array(reading.block_v) == pytest.approx(expected, abs=0.02)
        assert reading.temperature_c == 20.0
    assert abs(next(r for r in told if r.state == "discharge").current_a) > 30


def test_what_it_rests_on_is_kept_with_it():
    amps, _, volts = drive()
    log = readings(amps, volts)
    log[40] = log[40].model_copy(update={"code": "P0A80", "code_state": "pending", "soc_pct": 55.0})
    told = {r.state: r for _, r in summarised(log)}
    last = max(told.values(), key=lambda r: r.time)
    assert (last.code, last.code_state, last.soc_pct) == ("P0A80", "pending", 55.0), "a code of any row is kept"
    for reading in (told["discharge"], told["charge"]):
        assert reading.log_rows > 100
        assert 0 < reading.log_error_v < 0.02
        assert np.array(reading.resistance_mohm) == pytest.approx(1000 * RESISTANCE, rel=0.1)
    assert told["rest"].resistance_mohm is None


def test_resistances_that_a_log_tells_itself_come_before_those_of_its_lines():
    amps, _, volts = drive(300)
    blocks = volts.shape[1]
    log = [r.model_copy(update={"resistance_mohm": (None, *[33.0] * (blocks - 1))}) for r in readings(amps, volts)]
    assert {r.resistance_mohm for _, r in summarised(log)} == {(None, *[33.0] * (blocks - 1))}


def deviations(log):
    """Each block's deviation from the median of all under load, V: what a forecast reads."""
    (told,) = (np.array(r.block_v) for _, r in summarised(log) if r.state == "discharge")
    return told - np.median(told)


def test_no_second_moves_it_by_more_than_its_error():
    amps, drawn, volts = drive()
    log = readings(amps, volts)
    whole = deviations(log)
    on = amps > 2
    error = lines_of(volts[on], amps[on], drawn[on], 50.0).level_error_v.max()
    for cut in (1199, 1198, 1190, 1150):
        assert np.abs(deviations(log[:cut]) - whole).max() < error
    slipped = [*log]
    at = next(i for i in range(1199, 0, -1) if log[i].state == "discharge" and log[i].current_a > 20)
    slipped[at] = log[at].model_copy(update={"block_v": (0.0, *log[at].block_v[1:])})
    assert np.abs(deviations(slipped) - whole).max() < error


def test_what_is_no_log_stays_as_it_is():
    amps, _, volts = drive(90)
    few = readings(amps, volts)[:29]
    assert [reading for _, reading in summarised(few)] == few
    apart = [
        r.model_copy(update={"time": r.time + k * timedelta(minutes=6)}) for k, r in enumerate(readings(amps, volts))
    ]
    assert [reading for _, reading in summarised(apart)] == apart


def test_a_block_that_was_not_read_stays_unknown():
    amps, _, volts = drive(300)
    log = [r.model_copy(update={"block_v": (None, *r.block_v[1:])}) for r in readings(amps, volts)]
    assert all(r.block_v[0] is None and None not in r.block_v[1:] for _, r in summarised(log))


@pytest.mark.parametrize("step", [0.001, 0.1, 0.5])
def test_a_steady_load_is_told_as_it_was_read(step):
    """Invented: a lamp load and a steady charge, each told by one and the same figure in every row."""
    amps = np.where(np.arange(600) < 300, 18.0, -6.0) + 0.1 * np.random.default_rng(0).standard_normal(600)
    volts = np.where(amps[:, None] > 0, 11.2, 14.2) * np.ones(14)
    volts[:, 4] -= step
    for reading in (reading for _, reading in summarised(readings(amps, volts)) if reading.state != "rest"):
        level = 11.2 if reading.state == "discharge" else 14.2
        assert reading.block_v == pytest.approx([level - step * (b == 4) for b in range(14)], abs=1e-4)
        assert reading.resistance_mohm is None, "a current that stays tells no resistance"
        assert reading.log_error_v == pytest.approx(step / np.sqrt(12), abs=1e-6), "a step, told evenly"


def test_no_noise_of_a_steady_current_takes_a_figure_out_of_what_was_read():
    """Property: 300 steady loads of volts that never change, with and without a slip among them."""
    for seed in range(300):
        rng = np.random.default_rng(seed)
        level = round(rng.uniform(6.0, 17.0), rng.integers(1, 4))
        amps, volts = (
            rng.uniform(3.0, 60.0) + rng.uniform(0.0, 8.0) * rng.standard_normal(500),
            np.full((500, 2), level),
        )
        volts[7, 1] = 0.0 if seed % 2 else level
        found = lines_of(volts, amps, np.cumsum(amps) / 3600, float(np.quantile(amps, 0.9)))
        assert found.level_v == pytest.approx([level, level], abs=1e-9), seed


def test_a_channel_that_stuck_keeps_its_figure_and_tells_no_resistance():
    amps, _, volts = drive()
    volts[:, 5] = 13.0
    for reading in (reading for _, reading in summarised(readings(amps, volts)) if reading.state != "rest"):
        assert reading.block_v[5] == 13.0
        assert reading.resistance_mohm[5] is None
        assert None not in reading.resistance_mohm[:5]


def test_a_meter_of_coarse_steps_tells_resistance_within_its_error():
    """The true resistances lie within 1.96 errors for 90 of 100 at least, though volts come in steps of 0.1 V."""
    within = []
    for seed in range(10):
        amps, drawn, volts = drive(seed=seed)
        on = amps > 2
        found = lines_of(np.round(volts[on], 1), amps[on], drawn[on], 40.0)
        assert np.isfinite(found.resistance_ohm).mean() > 0.9
        within.append(np.abs(found.resistance_ohm - RESISTANCE) < 1.96 * found.resistance_error_ohm)
    assert np.mean(within) > 0.90
