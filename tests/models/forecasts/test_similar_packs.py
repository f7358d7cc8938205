"""Similar past packs: a distance checked against other libraries, and what a list of them must never do."""

from __future__ import annotations

import io

import joblib
import numpy as np
import pandas as pd
import pytest
from scipy.spatial.distance import cdist
from scipy.stats import f_oneway

from models.features.raw import raw_features
from models.forecasts.similar_packs import SHOWN, PastPacks, spread_of_forecast
from models.packs.tables import history_of
from training.learning.moments import moments_of, survival_rows
from training.learning.past_packs import MOST_KEPT, past_packs


@pytest.fixture(scope="module")
def past(small_trained) -> PastPacks:
    return small_trained.forecaster.past


def frame(past: PastPacks) -> pd.DataFrame:
    return pd.DataFrame(past.values.astype(np.float64), columns=list(past.names))


def test_reference_distance_of_complete_packs_is_the_weighted_city_block(past):
    """scipy's city-block distance with weights, of features levelled by their scale, none of them further apart."""
    rng = np.random.default_rng(0)
    values = rng.uniform(0, 1, size=(30, len(past.names))).astype(np.float32)
    values[:, past.names.index("lithium")] = 0.0
    table = pd.DataFrame(
        {
            "pack_id": [f"MB-{i:02d}" for i in range(30)],
            "family": "marl-28",
            "further_days": 3.0,
            "became": "returned",
            "kind": None,
        }
    )
    scale, weight = rng.uniform(1, 3, values.shape[1]), rng.uniform(0, 5, values.shape[1])
    group, raw = np.full(30, "holding, read since", object), past.raw.take(np.arange(30))
    stored = PastPacks(table, past.names, values, raw, group, scale, weight, True)
    asked = pd.DataFrame(values[:1].astype(np.float64), columns=list(past.names))
    found = stored.nearest(asked, "another", count=30)
    wanted = cdist(values[:1] / scale, values / scale, "cityblock", w=weight)[0] / weight.sum()
    assert [s.pack_id for s in found] == [f"MB-{i:02d}" for i in np.argsort(wanted)]
    np.testing.assert_allclose([s.distance for s in found], np.sort(wanted), rtol=1e-6, atol=1e-12)


def test_reference_spread_agrees_with_the_analysis_of_variance():
    """With k classes, SS_between − (k − 1) MS_within = (F − 1)(k − 1) MS_within; F from scipy.stats.f_oneway."""
    rng = np.random.default_rng(1)
    column = np.repeat([0.0, 1.0, 2.0, np.nan], [40, 25, 60, 30])
    figure = np.where(np.isnan(column), 4.0, column) + rng.normal(size=len(column))
    classes = [figure[column == v] for v in (0.0, 1.0, 2.0)] + [figure[np.isnan(column)]]
    f = f_oneway(*classes).statistic
    within = sum(((c - c.mean()) ** 2).sum() for c in classes) / (len(figure) - 4)
    assert spread_of_forecast(column, figure) == pytest.approx(np.sqrt((f - 1) * 3 * within / len(figure)), rel=1e-12)


def test_recovery_of_the_spread_that_a_feature_causes():
    for seed in range(4):
        rng = np.random.default_rng(seed)
        x, idle = rng.normal(size=(2, 4000))
        figure = 5.0 * np.sign(x) + rng.normal(size=4000)
        # The middle one of five classes lies half on each side: 4 of 5 classes keep the whole spread of 5.
        assert spread_of_forecast(x, figure) == pytest.approx(5.0 * np.sqrt(0.8), rel=0.03)
        assert spread_of_forecast(idle, figure) < 0.4
    assert spread_of_forecast(np.full(9, np.nan), np.arange(9.0)) == 0.0
    assert spread_of_forecast(np.ones(9), np.arange(9.0)) == 0.0


def test_property_a_pack_like_a_stored_one_in_everything_finds_it_first(past):
    X = frame(past)
    for i in range(0, len(X), 53):
        first = past.nearest(X.iloc[[i]], "MB-VAN-07")[0]
        assert first.distance == 0.0
        assert first.same_situation
        twins = np.flatnonzero([np.array_equal(past.values[i], v, equal_nan=True) for v in past.values])
        assert first.pack_id == past.packs["pack_id"][twins[0]]


def test_property_a_pack_is_never_told_of_itself(past):
    X = frame(past)
    for i in range(0, len(X), 97):
        name = past.packs["pack_id"][i]
        found = past.nearest(X.iloc[[i]], name)
        assert len(found) == SHOWN
        assert name not in [s.pack_id for s in found]


def test_property_chemistry_and_evidence_come_before_distance(past):
    X = frame(past)
    for i in (0, 11, 200):
        found = past.nearest(X.iloc[[i]], "MB-VAN-07", count=len(X))
        assert len(found) == len(X)
        place = {name: n for n, name in enumerate(past.packs["pack_id"])}
        rows = np.array([place[s.pack_id] for s in found])
        rank = 2 * (X["lithium"].to_numpy()[rows] != X["lithium"][i]) + (past.group[rows] != past.group[i])
        assert np.all(np.diff(rank) >= 0)
        assert [s.same_situation for s in found] == (rank == 0).tolist()
        distance = np.array([s.distance for s in found])
        assert np.all((distance >= 0) & (distance <= 1))
        for step in range(4):
            assert np.all(np.diff(distance[rank == step]) >= 0)


def test_property_what_only_one_of_two_knows_sets_them_apart(past):
    X = frame(past)
    i = int(np.flatnonzero(~np.isnan(X["km_per_day"]))[0])
    silent = X.iloc[[i]].assign(km_per_day=np.nan)
    distance = next(s.distance for s in past.nearest(silent, "", count=len(X)) if s.pack_id == past.packs["pack_id"][i])
    known = ~np.isnan(past.values[i])
    weight = past.weight[past.names.index("km_per_day")]
    assert distance == pytest.approx(weight / past.weight[known].sum(), rel=1e-9)
    assert distance > 0


def test_invariance_order_of_stored_rows(small_cohort, forecaster_rows):
    _, rows, table, days = forecaster_rows
    raw = raw_features(small_cohort.tables, rows.moments)
    straight = PastPacks.learn(table, rows.X, raw, days, invented=True)
    order = np.random.default_rng(5).permutation(len(table))
    mixed = PastPacks.learn(table.iloc[order], rows.X.iloc[order], raw.take(order), days[order], invented=True)
    assert joblib.hash(straight) == joblib.hash(mixed)
    asked = rows.X.iloc[[7]]
    assert straight.nearest(asked, "") == mixed.nearest(asked, "")
    buffer = io.BytesIO()
    joblib.dump(straight, buffer)
    assert joblib.load(buffer).nearest(asked, "") == straight.nearest(asked, "")


@pytest.fixture(scope="module")
def forecaster_rows(small_cohort, small_trained):
    forecaster = small_trained.forecaster
    moments = moments_of(small_cohort.tables, np.random.default_rng(6)).groupby("pack_id").head(1)
    rows = survival_rows(small_cohort.tables, moments.reset_index(drop=True))
    table = pd.DataFrame(
        {
            "pack_id": rows.moments["pack_id"],
            "family": "marl-28",
            "further_days": rows.time,
            "became": np.where(rows.event, "returned", "still holding"),
            "kind": None,
        }
    )
    return forecaster, rows, table, forecaster.mean_days(rows.X)


def test_stored_packs_are_those_learned_from_and_their_fates_are_true(small_cohort, past):
    tables = small_cohort.tables
    assert past.invented
    assert past.packs["pack_id"].is_unique
    assert 100 < len(past.packs) <= MOST_KEPT
    kinds = dict(zip(small_cohort.truth["pack_id"], small_cohort.truth["kind"], strict=True))
    families = dict(zip(tables.packs["pack_id"], tables.packs["family"], strict=True))
    outcomes = tables.outcomes.groupby("pack_id")["kind"].agg(set)
    for row in past.packs.itertuples():
        assert row.kind == kinds[row.pack_id]
        assert row.family == families[row.pack_id]
        allowed = {"returned": {"returned"}, "replaced": {"replaced"}, "still holding": {"running", "retired"}}
        assert allowed[row.became] & outcomes[row.pack_id]
        assert row.further_days > 0


def test_no_more_packs_are_kept_than_said(small_cohort, forecaster_rows):
    forecaster, rows, _, _ = forecaster_rows
    rng = np.random.default_rng(0)
    kept = past_packs(forecaster, rows, None, small_cohort.tables, rng, invented=False, most=40)
    assert len(kept.packs) == 40
    assert not kept.invented
    assert kept.packs["kind"].isna().all()


def test_recovery_similar_packs_fare_alike(small_cohort, forecaster_rows, past):
    """Of packs that were soon back, similar ones were sooner back than those of packs that held long."""
    _, rows, _, _ = forecaster_rows
    X, ids = rows.X, rows.moments["pack_id"]
    soon = np.flatnonzero(rows.event & (rows.time < 6))[:60]
    late = np.flatnonzero(rows.time > 45)[:60]
    shares = [
        np.mean(
            [s.became == "returned" and s.further_days < 14 for i in some for s in past.nearest(X.iloc[[i]], ids[i])]
        )
        for some in (soon, late)
    ]
    assert shares[0] > shares[1] + 0.2


def test_a_forecaster_explains_with_the_packs_it_holds(small_cohort, forecaster_rows):
    forecaster, rows, _, _ = forecaster_rows
    name, at = rows.moments["pack_id"][3], rows.moments["origin"][3].to_pydatetime()
    told = forecaster.explain(history_of(small_cohort.tables, name), at=at)
    assert len(told.similar) == SHOWN
    assert all(s.invented and s.pack_id != name for s in told.similar)
