"""What moves a forecast: published games, the axioms of the value, and evidence that was never recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.features.definitions import EVIDENCE, FEATURES
from models.features.derived import RAW_EVIDENCE, derive, surplus_share, without_surplus
from models.features.raw import feature_frame, raw_features
from models.forecasts.attribution import attribute, shapley_values
from models.packs.history import UsagePlan
from models.packs.stops import Stopped
from models.packs.tables import history_of
from tests.going_on import may_go_on
from training.learning.moments import moments_of


def worth_of(players: int, value) -> np.ndarray:
    """Tabulate a game given as a function of the set of those who take part."""
    return np.array([float(value({i for i in range(players) if m >> i & 1})) for m in range(2**players)])


@pytest.fixture(scope="module")
def moments(small_cohort):
    return moments_of(small_cohort.tables, np.random.default_rng(4))


@pytest.fixture(scope="module")
def raw(small_cohort, moments):
    return raw_features(small_cohort.tables, moments)


@pytest.fixture(scope="module")
def forecaster(small_trained):
    return small_trained.forecaster


def masking(raw, row, *kept):
    """Features of one row with only some evidence kept."""
    return derive(raw.take(np.array([row])).only({evidence: np.array([True]) for evidence in kept}))


def test_reference_glove_game():
    """Players 1 and 2 hold a right glove, 3 a left one: 1/6, 1/6, 4/6 (Wikipedia, "Shapley value", glove game)."""
    worth = worth_of(3, lambda s: 2 in s and len(s) >= 2)
    np.testing.assert_allclose(shapley_values(worth), [1 / 6, 1 / 6, 4 / 6], rtol=1e-14)


def test_reference_airport_game():
    """Runways of 40 to 90 for six aircraft cost them (40, 52, 67, 87, 117, 177)/6: Mathematics Stack Exchange, question
    4152535, by the closed form of Littlechild & Owen (1973), Management Science 20, 370-372."""
    costs = [40, 50, 60, 70, 80, 90]
    worth = worth_of(6, lambda s: max((costs[i] for i in s), default=0))
    np.testing.assert_allclose(shapley_values(worth), np.array([40, 52, 67, 87, 117, 177]) / 6, rtol=1e-13)


def test_reference_power_in_the_security_council():
    """Nine of fifteen votes, none of the five vetoes missing: 4/2145 for each of the ten others, 421/2145 for each
    with a veto (index of Shapley & Shubik 1954; worked in "Veto: starting to sound really good", gonitsora.com)."""
    member = np.arange(2**15)
    worth = ((member & 31 == 31) & (np.bitwise_count(member) >= 9)).astype(float)
    np.testing.assert_allclose(shapley_values(worth), [421 / 2145] * 5 + [4 / 2145] * 10, rtol=1e-12)


@pytest.mark.parametrize("players", [0, 1, 4, 8])
def test_property_axioms_of_the_value(players):
    rng = np.random.default_rng(players)
    worth, other = rng.normal(size=2**players), rng.normal(size=2**players)
    value = shapley_values(worth)
    assert value.sum() == pytest.approx(worth[-1] - worth[0], abs=1e-12)
    np.testing.assert_allclose(shapley_values(worth + 2 * other), value + 2 * shapley_values(other), atol=1e-12)
    renamed = rng.permutation(players)
    moved = np.array([sum(1 << int(renamed[i]) for i in range(players) if m >> i & 1) for m in range(2**players)])
    turned = np.empty_like(worth)
    turned[moved] = worth
    np.testing.assert_allclose(shapley_values(turned)[renamed], value, atol=1e-12)


def test_property_alike_players_get_alike_and_idle_ones_nothing():
    rng = np.random.default_rng(3)
    by_size = rng.normal(size=(2, 4))
    worth = worth_of(5, lambda s: by_size[int(0 in s), len(s & {1, 2, 3})])
    value = shapley_values(worth)
    np.testing.assert_allclose(value[1:4], value[1], atol=1e-12)
    assert value[4] == 0.0


def test_a_table_that_is_no_game_is_refused():
    with pytest.raises(ValueError, match="2\\*\\*n"):
        shapley_values(np.zeros(6))


def test_what_is_read_off_and_what_is_given_are_the_features_so_marked(raw):
    given = {f.name for f in FEATURES if f.source != "concluded"}
    assert {name for name in raw.columns if name in {f.name for f in FEATURES}} == given
    assert set(RAW_EVIDENCE.values()) == set(EVIDENCE)
    assert set(RAW_EVIDENCE) <= set(raw.columns)


def test_parity_everything_kept_is_the_feature_table(small_cohort, moments, raw):
    frame = feature_frame(small_cohort.tables, moments)
    for row in range(0, len(moments), 61):
        pd.testing.assert_series_equal(
            masking(raw, row, *EVIDENCE).iloc[0], frame.iloc[row], check_names=False, check_exact=True
        )


@pytest.mark.parametrize(
    ("table", "columns", "left_out"),
    [
        ("packs", ("age_years", "odometer_km"), {"the pack"}),
        ("usage", ("km_per_day", "trips_per_day", "parked_days_in_30"), {"planned use"}),
        ("topups", ("charge_ah", "end_v", "duration_h"), {"top-up"}),
        ("topups", ("rest_before_v", "rest_after_v", "rest_after_h"), {"readings before", "readings after"}),
    ],
)
def test_parity_left_out_is_as_never_recorded(small_cohort, moments, raw, table, columns, left_out):
    """The same features as from a record in which that evidence is blank."""
    tables = small_cohort.tables
    blank = getattr(tables, table).assign(**dict.fromkeys(columns, np.nan))
    gone = replace(tables, **{table: blank})
    first = (raw.columns["earlier_topups"] == 0) & (raw.columns["blocks_topped"] == 1)
    if "readings after" in left_out:  # and every reading with it, so that nothing is left of either
        gone = replace(gone, readings=tables.readings.iloc[:0])
        left_out = left_out | {"while holding"}
    frame = feature_frame(gone, moments)
    # What the pack's own temperature says of the weather goes with its readings: only packs with a plan for it.
    first &= (frame["ambient_c"] == raw.columns["ambient_c"]).to_numpy() | np.isnan(raw.columns["ambient_c"])
    kept = [evidence for evidence in EVIDENCE if evidence not in left_out]
    rows = np.flatnonzero(first)[::41]
    assert len(rows) > 5
    for row in rows:
        np.testing.assert_array_equal(masking(raw, row, *kept).to_numpy()[0], frame.to_numpy()[row])


def test_property_contributions_add_up_to_the_forecast_and_unknown_evidence_adds_nothing(
    small_cohort, moments, raw, forecaster
):
    unknown = explained = 0
    for row in range(0, len(moments), 137):
        history = history_of(small_cohort.tables, moments["pack_id"][row])
        try:
            told = forecaster.explain(history, at=moments["origin"][row].to_pydatetime())
        except Stopped:
            continue
        explained += 1
        assert tuple(c.evidence for c in told.contributions) == EVIDENCE
        total = told.reference_days + sum(c.days for c in told.contributions)
        # What went in beyond what was missing is promised nothing for: what is taken apart does not count it.
        _, counted = without_surplus(one := raw.take(np.array([row])), surplus_share(one))
        over = len(counted.families.which) > 0
        careful = told.forecast.restricted_mean()
        if over:
            careful = min(careful, forecaster.mean_days(derive(counted))[0])
        assert total == pytest.approx(careful, abs=1e-9)
        for contribution in told.contributions:
            assert contribution.known == (contribution.evidence in raw.known(row))
            assert contribution.known or contribution.days == 0.0
            unknown += not contribution.known
    assert unknown > 5
    assert explained > 5


def test_parity_leaving_unknown_evidence_out_of_the_game_changes_nothing(raw, forecaster):
    """All 256 coalitions give what the few that differ give."""
    row = next(r for r in range(len(raw.columns["held_days"])) if len(raw.known(r)) == 5)
    coalition = np.arange(256)
    kept = {evidence: (coalition >> i) & 1 == 1 for i, evidence in enumerate(EVIDENCE)}
    whole = shapley_values(forecaster.mean_days(derive(raw.take(np.full(256, row)).only(kept))))
    found = attribute(raw, row, forecaster.mean_days)
    np.testing.assert_allclose([c.days for c in found.contributions], whole, atol=1e-9)


def test_property_a_harder_plan_never_adds_days(small_cohort, moments, forecaster):
    """More kilometres can only bring the fault back sooner, so what the plan adds can only fall."""
    releases = moments[moments["occasion"] == "release"]
    moved = 0.0
    for _, row in releases.iloc[::149].iterrows():
        if not may_go_on(small_cohort.tables, row):
            continue
        history, at = history_of(small_cohort.tables, row["pack_id"]), row["origin"].to_pydatetime()
        gentle, hard = (
            next(
                c.days
                for c in forecaster.explain(history, at=at, usage=UsagePlan(km_per_day=km)).contributions
                if c.evidence == "planned use"
            )
            for km in (15.0, 90.0)
        )
        assert hard <= gentle + 1e-9
        moved += gentle - hard
    assert moved > 0


def test_explaining_changes_no_figure_of_the_forecast(small_cohort, moments, forecaster):
    history, at = history_of(small_cohort.tables, moments["pack_id"][0]), moments["origin"][0].to_pydatetime()
    plain, told = forecaster.forecast(history, at=at), forecaster.explain(history, at=at).forecast
    assert told.as_dict() == plain.as_dict()
    assert told.good_for(0.9) == plain.good_for(0.9)
