"""The live record: forecasts scored as issued, only against what came after them, censored ones weighed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from training.monitoring.live_record import ISSUED_COLUMNS, LEAST_ROWS, settle, watch, what_we_told
from training.report import CalibrationReport, render_html

START = datetime(2026, 1, 1, tzinfo=UTC)
NOW = START + timedelta(days=300)
MEAN_DAYS = 25.0


def day(number):
    return START + timedelta(days=float(number))


def issued(*rows):
    """Rows of pack, day issued, day of origin."""
    frame = pd.DataFrame(
        [(pack, day(at), day(origin), "m1", 2.0) for pack, at, origin in rows], columns=list(ISSUED_COLUMNS)
    )
    return frame, np.tile(np.exp(-DAYS / MEAN_DAYS), (len(rows), 1))


def outcomes(*rows):
    return pd.DataFrame([(pack, day(at), kind) for pack, at, kind in rows], columns=["pack_id", "time", "kind"])


def simulated(factor, packs=1500, seed=5):
    """Invented: exponential lives, `factor` times the forecast hazard; a third are replaced at random times."""
    rng = np.random.default_rng(seed)
    origin = np.sort(rng.uniform(0, 240, packs))
    life, lost = rng.exponential(MEAN_DAYS / factor, packs), rng.exponential(40.0, packs)
    told = issued(*((f"P{i}", t, t) for i, t in enumerate(origin)))
    told[0]["good_for_days"] = -MEAN_DAYS * np.log(0.9)
    fates = [
        (f"P{i}", t + min(a, b), "returned" if a <= b else "replaced")
        for i, (t, a, b) in enumerate(zip(origin, life, lost, strict=True))
    ]
    return *told, outcomes(*fates)


def test_each_forecast_meets_the_first_fate_after_it():
    frame, curves = issued(("a", 10, 10), ("a", 14, 14), ("b", 10, 10), ("c", 10, 10), ("d", 295, 295))
    found = settle(frame, curves, outcomes(("a", 13, "returned"), ("a", 20, "replaced"), ("b", 9, "returned")), NOW)
    by = {(p, o): k for k, (p, o) in enumerate(zip(found.issued["pack_id"], found.issued["origin"], strict=True))}
    a, again, b, d = by["a", day(10)], by["a", day(14)], by["b", day(10)], by["d", day(295)]
    assert found.time[[a, again, b]] == pytest.approx([3.0, 6.0, 290.0])
    assert found.event.tolist().count(True) == 1
    assert found.event[a]
    assert found.settled[[a, again, b]].all()
    assert not found.settled[d]


def test_hindsight_does_not_count():
    """Issued on day 20 for day 10: what happened before is not foretold, what happened after is, from day 20 on."""
    frame, curves = issued(("a", 20, 10), ("b", 20, 10), ("c", 105, 10))
    found = settle(frame, curves, outcomes(("a", 15, "returned"), ("b", 25, "returned")), NOW)
    assert found.issued["pack_id"].tolist() == ["b"]
    assert found.entry == pytest.approx([10.0])
    assert found.time == pytest.approx([15.0])


def test_what_was_said_first_counts_and_the_future_is_not_known_yet():
    frame, curves = issued(("a", 10, 10), ("a", 11, 10), ("b", 310, 310))
    curves[1] = 1.0
    found = settle(frame, curves, outcomes(("a", 305, "returned")), NOW)
    assert len(found) == 1
    np.testing.assert_array_equal(found.survival[0], np.exp(-DAYS / MEAN_DAYS))
    assert not found.event.any()
    with pytest.raises(BadInput, match="lacks the column model_id"):
        settle(frame.drop(columns="model_id"), curves, outcomes(), NOW)


def test_sound_forecasts_are_found_sound_though_a_third_was_replaced():
    told = what_we_told(settle(*simulated(1.0), NOW), NOW)
    assert told.whole.low <= 1 - np.exp(-14 / MEAN_DAYS) <= told.whole.high
    assert told.whole.kept_low <= 0.9 <= told.whole.kept_high
    # N − A has mean 0 and variance E[N] (Doob-Meyer).
    assert abs(told.whole.returned - told.whole.expected) < 4 * np.sqrt(told.whole.expected)
    assert not told.alarm_raised
    assert [m.month for m in told.months] == [f"2026-0{k}" for k in range(1, 9)]
    assert sum(m.forecasts for m in told.months) == told.whole.forecasts == 1500
    assert sum(m.expected for m in told.months) == pytest.approx(told.whole.expected)
    assert told.sentences[0].endswith("a return counts for each forecast before it.")
    assert "they agree" in told.sentences[1]


def test_without_a_known_outcome_no_promise_counts_as_kept():
    """ "100 of 100 held" was said of packs of which nobody knew anything yet."""
    frame, curves = issued(*((f"pack-{k}", 200 + k % 30, 200 + k % 30) for k in range(60)))
    told = what_we_told(settle(frame, curves, outcomes(), NOW), NOW)
    assert told.whole.returned == 0
    assert told.whole.kept is None
    assert not any("good for" in sentence for sentence in told.sentences)


def test_where_no_day_was_promised_nothing_counts_as_kept_or_broken():
    """A promise of 0 days is kept by every pack: a workshop told "no day" of half of its packs looked better for it."""
    frame, curves, fates = simulated(1.0, packs=600)
    silent = frame.assign(good_for_days=np.where(np.arange(len(frame)) % 2, 0.0, frame["good_for_days"]))
    told = what_we_told(settle(silent, curves, fates, NOW), NOW)
    rows = np.arange(len(frame)) % 2 == 0
    alone = what_we_told(settle(frame[rows].reset_index(drop=True), curves[rows], fates, NOW), NOW)
    of = ("kept", "kept_low", "kept_high")
    assert [getattr(told.whole, name) for name in of] == [getattr(alone.whole, name) for name in of]
    # Curves were told of them all the same, and are scored.
    assert told.whole.forecasts == 600
    assert told.whole.expected > 1.5 * alone.whole.expected
    none = what_we_told(settle(frame.assign(good_for_days=0.0), curves, fates, NOW), NOW)
    assert none.whole.kept is None
    assert not any("good for" in sentence for sentence in none.sentences)


@pytest.mark.parametrize("factor", [1.5, 1 / 1.5])
def test_unsound_forecasts_are_told_and_set_off_the_alarm(factor):
    told = what_we_told(settle(*simulated(factor), NOW), NOW)
    assert told.alarm_raised
    assert ("more often" if factor > 1 else "less often") in told.alarm
    assert "do not agree" in told.sentences[1]


def test_a_forecast_gives_way_to_the_next_one_of_its_pack():
    """No return is counted twice, and each day of watching belongs to one forecast."""
    frame, curves = issued(("a", 10, 10), ("a", 14, 14))
    settled = settle(frame, curves, outcomes(("a", 20, "returned")), NOW)
    assert settled.event.all()
    trace = watch(settled, NOW)
    assert trace.state.returns == 1
    assert trace.state.expected == pytest.approx((4 + 6) / MEAN_DAYS)


def test_a_small_month_shows_counts_and_no_share():
    told = what_we_told(settle(*issued(("a", 10, 10)), outcomes(("a", 13, "returned")), NOW), NOW)
    assert LEAST_ROWS > 1
    assert (told.months[0].forecasts, told.months[0].returned, told.months[0].observed) == (1, 1, None)
    assert "too few" in told.sentences[-1]
    assert what_we_told(settle(*issued(), outcomes(), NOW), NOW) is None


def test_the_report_shows_it(small_trained):
    told = what_we_told(settle(*simulated(1.0), NOW), NOW)
    report = small_trained.report.model_copy(update={"told": told})
    page = render_html(report)
    assert "What we told people" in page
    assert page.count('data-told="') == 9
    assert told.alarm.split(":")[0] in page
    assert "What we told people" not in render_html(small_trained.report)
    assert CalibrationReport.model_validate_json(report.model_dump_json()) == report
