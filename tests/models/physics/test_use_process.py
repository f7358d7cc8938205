from dataclasses import fields

import numpy as np
import pytest

from models.physics.use_process import UseDraws, UseProcess, draw_use, use_of_day
from training.files.families import load_families

FAMILY = load_families()["marl-28"]


def _process(n=1, **given):
    usual = {
        "km_per_day": 40.0,
        "trips_per_day": 3.0,
        "weekend_share": 0.5,
        "parking_start": 1e3,
        "parking_days": 0.0,
        "style": 1.0,
        "season_mean_c": 12.0,
        "season_swing_c": 6.0,
        "season_peak_day": 215.0,
        "start_day_of_year": 0.0,
        "warmth_c": 0.0,
    }
    return UseProcess(**{k: np.full(n, v, dtype=np.float32) for k, v in (usual | given).items()})


def _still(n=1):
    zero = np.zeros(n, dtype=np.float32)
    return UseDraws(zero, zero, zero)


def test_property_weekdays_parking_and_workshop_days():
    process = _process(parking_start=10, parking_days=3)
    clog = np.zeros(1, dtype=np.float32)
    km = [float(use_of_day(FAMILY, process, d, _still(), clog).cycled_ah[0]) for d in range(14)]
    assert km[5] == pytest.approx(km[6]) == pytest.approx(km[0] / 2)
    assert km[10:13] == [0, 0, 0]
    assert km[13] > 0
    assert use_of_day(FAMILY, process, 0, _still(), clog, idle=np.array([True])).trips[0] == 0


def test_property_season_peaks_on_its_day():
    process = _process(season_peak_day=200)
    year = np.array([float(process.ambient_c(float(d))[0]) for d in range(366)])
    assert abs(int(year.argmax()) - 200) <= 1
    assert year.max() == pytest.approx(18, abs=0.01)
    assert year.min() == pytest.approx(6, abs=0.01)
    assert year.mean() == pytest.approx(12, abs=0.05)


def test_recovery_planned_kilometres_are_the_long_run_mean():
    process = _process(400)
    rng, clog = np.random.default_rng(2), np.zeros(400, dtype=np.float32)
    total = sum(use_of_day(FAMILY, process, d, draw_use(rng, 400), clog).cycled_ah.astype(float) for d in range(140))
    driven = total.mean() / 140 / (0.03 * 6.5)
    # 400 packs, 140 days, sd of the logarithm 0.35: standard error about 0.06 km.
    assert driven == pytest.approx(float(process.planned_km_per_day()[0]), abs=0.3)


def test_property_parked_days_between_counts_days():
    process = _process(1, parking_start=20, parking_days=7)
    for start in range(40):
        counted = sum(20 <= d < 27 for d in range(start, start + 30))
        assert process.parked_days_between(np.array([float(start)]), 30.0)[0] == counted


def test_property_taken_and_repeated_processes():
    process = _process(3)
    process.km_per_day[:] = [1, 2, 3]
    assert process.take(np.array([2, 0])).km_per_day.tolist() == [3, 1]
    assert process.repeat(2).km_per_day.tolist() == [1, 1, 2, 2, 3, 3]
    assert all(len(getattr(process.repeat(2), f.name)) == 6 for f in fields(process))
