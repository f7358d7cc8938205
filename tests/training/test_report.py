"""The calibration report on invented cohorts of known calibration: right verdicts, same numbers everywhere."""

import json
import re

import numpy as np
import pytest
from scipy.stats import invgauss

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.kaplan_meier import kaplan_meier
from training.report import CalibrationReport, ReportInputs, Thresholds, build_report, render_html
from training.report.plots import brier_plot, distribution_plot, gap_plot, reliability_plot
from training.scoring import NotEstimable
from training.simulation.noise_floor import limit_of


def marrow_bay(seed=0, n=6000, hazard=1.0, distort=None, bound_factor=1.0):
    """Invent packs of Marrow Bay with first-passage lives; the forecast's hazard is the true one times a factor.

    `distort` says for which fleet the factor applies; the others get the true curves.
    """
    rng = np.random.default_rng(seed)
    mean = np.exp(rng.normal(3.4, 0.8, n))
    shape = mean * np.exp(rng.normal(1.0, 0.7, n))
    truth = invgauss(mean / shape, scale=shape)
    life, lost = truth.rvs(size=n, random_state=rng), rng.exponential(90, n)
    fleet = rng.choice(["vans", "cabs", "clinic cars"], n, p=[0.5, 0.4, 0.1])
    season = rng.choice(["summer", "winter"], n)
    season[:40] = "squall"
    entry = np.where(rng.random(n) < 0.1, rng.uniform(0, 10, n), 0.0)
    end = DAYS[-1]
    time, event = np.minimum(np.minimum(life, lost), end), life <= np.minimum(lost, end)
    seen = time > entry
    curves = np.column_stack([truth.sf(day) for day in DAYS])
    told = np.where(((fleet == distort) if distort else np.ones(n, bool))[:, None], curves**hazard, curves)
    everybody = kaplan_meier(time[seen], event[seen], entry[seen]).at(DAYS)
    bounds = {c: np.minimum(bound_factor * truth.ppf(1 - c), end)[seen] for c in (0.8, 0.9, 0.95)}
    return ReportInputs(
        survival=told[seen],
        time=time[seen],
        event=event[seen],
        entry=entry[seen],
        trained_on="simulation",
        scored_on="simulation",
        peers={"Kaplan–Meier": np.tile(everybody, (seen.sum(), 1))},
        limit=limit_of(rng.binomial(3, curves) / 3, runs=3),
        bounds=bounds,
        groups={"fleet": fleet[seen], "season": season[seen]},
        model={"Model": "tide <1> & co", "Digest": "0f" * 16},
        made_at="2026-03-02 08:30 UTC",
    )


@pytest.fixture(scope="module")
def sound():
    return build_report(marrow_bay())


@pytest.fixture(scope="module")
def page(sound):
    """The sound report as a page; drawing takes its time."""
    return render_html(sound)


@pytest.fixture(scope="module")
def hopeful():
    return build_report(marrow_bay(hazard=1 / 1.5, bound_factor=1.5))


def of(report, level=None, topic=None, group=None):
    return [
        verdict
        for verdict in report.verdicts
        if level in (None, verdict.level) and topic in (None, verdict.topic) and group in (None, verdict.group)
    ]


@pytest.mark.parametrize("seed", range(3))
def test_true_forecasts_are_not_accused(seed):
    report = build_report(marrow_bay(seed=seed))
    assert of(report, "off") == []
    assert {v.topic for v in of(report, "holds", group="all rows")} >= {
        "level",
        "spread",
        "distribution",
        "bound",
        "comparison",
    }


def test_too_low_a_hazard_is_called_over_confident(hopeful):
    whole = of(hopeful, "off", "level", "all rows")
    assert len(whole) == 1
    assert whole[0].sentence.startswith("More came back than forecast")
    assert of(hopeful, "off", "distribution", "all rows")
    assert of(hopeful, "off", "fit", "all rows")
    assert not of(hopeful, "holds", "level", "all rows")
    bounds = of(hopeful, topic="bound", group="all rows")
    assert {v.level for v in bounds} == {"off"}
    assert all(v.sentence.endswith("too few.") for v in bounds)


def test_too_high_a_hazard_is_called_over_cautious():
    report = build_report(marrow_bay(hazard=1.5, bound_factor=0.5))
    assert of(report, "off", "level", "all rows")[0].sentence.startswith("Fewer came back than forecast")
    bounds = of(report, topic="bound", group="all rows")
    assert all(v.level == "holds" for v in bounds)
    assert any("shorter than need be" in v.sentence for v in bounds)


def test_one_bad_fleet_is_named_and_the_others_are_not():
    report = build_report(marrow_bay(n=9000, hazard=1 / 1.5, distort="cabs"))
    assert of(report, "off", "level", "fleet cabs")[0].sentence.startswith("More came back than forecast")
    assert not of(report, "off", group="fleet vans")
    assert not of(report, "off", "level", "fleet clinic cars")


def test_bad_from_a_day_on_is_said_so():
    inputs = marrow_bay(n=9000)
    late = inputs.survival.copy()
    after = DAYS > 21
    anchor = late[:, DAYS == 21]
    late[:, after] = anchor * (late[:, after] / anchor) ** 0.3
    report = build_report(ReportInputs(**{**vars(inputs), "survival": late}))
    sentence = of(report, "off", "level", "all rows")[0].sentence
    assert sentence.startswith("More came back than forecast from day 30 on, of all packs")


def test_few_rows_leave_the_verdict_open():
    report = build_report(marrow_bay(n=260))
    assert of(report, "off") == []
    assert of(report, "open", "level", "all rows")
    assert not of(report, "holds", "level", "all rows")


def test_worse_than_a_peer_is_off():
    inputs = marrow_bay()
    swapped = ReportInputs(
        **{**vars(inputs), "survival": inputs.peers["Kaplan–Meier"], "peers": {"Own": inputs.survival}, "entry": None}
    )
    report = build_report(swapped)
    assert of(report, "off", "comparison")[0].sentence.startswith("It forecasts worse than Own")
    assert "alike" in " ".join(note for day in report.whole.days for note in day.missing)


def test_small_groups_are_listed_with_the_reason(sound, page):
    assert [(g.grouping, g.value) for g in sound.too_small] == [("season", "squall")]
    assert sound.too_small[0].why == "fewer than 200 rows"
    assert {g.name for g in sound.groups} == {
        "fleet cabs",
        "fleet clinic cars",
        "fleet vans",
        "season summer",
        "season winter",
    }
    assert "season squall: " in page


def test_follow_up_adds_up(sound):
    found = sound.follow_up
    assert found.returned + found.lost + found.held_to_horizon == found.rows
    assert found.late_entries > 0
    assert all(a > b for a, b in zip(found.followed, found.followed[1:], strict=False))


def test_json_comes_back_as_the_same_report(sound):
    text = sound.model_dump_json()
    assert CalibrationReport.model_validate_json(text) == sound
    assert json.loads(text)["schema_version"] == "1"
    assert "NaN" not in text


def test_page_and_json_carry_the_same_numbers(hopeful):
    page = render_html(hopeful)
    inside = re.search(r'<script type="application/json" id="figures">(.*?)</script>', page, re.DOTALL)
    data = json.loads(inside.group(1))
    assert data == json.loads(hopeful.model_dump_json())
    for day in data["whole"]["days"]:
        cells = {
            kind: re.findall(
                r"<td>(.*?)</td>", re.search(rf'<tr data-{kind}="{day["day"]:g}">(.*?)</tr>', page, re.S)[1]
            )
            for kind in ("returns", "errors")
        }
        part, smooth, line = day["reliability"]["overall"], day["smooth"], day["line"]
        assert cells["returns"] == [
            *(str(part[name]) for name in ("rows", "returned", "unknown")),
            f"{100 * part['forecast']:.1f}",
            f"{100 * part['observed']:.1f}",
            f"{100 * part['low']:.1f} to {100 * part['high']:.1f}",
        ]
        assert cells["errors"] == [
            *(f"{100 * day['reliability'][name]:.1f}" for name in ("error", "error_by_chance")),
            *(f"{100 * smooth[name]:.1f}" for name in ("index", "index_by_chance", "median", "ninetieth")),
            f"{line['intercept']:+.2f}",
            f"{line['slope']:.2f}",
            f"{line['slope_low']:.2f} to {line['slope_high']:.2f}",
        ]
    for verdict in data["verdicts"]:
        assert verdict["sentence"].replace("&", "&amp;") in page
    for bound in data["whole"]["bounds"]:
        assert (
            f"<td>{100 * bound['held']:.1f}</td><td>{100 * bound['low']:.1f} to {100 * bound['high']:.1f}</td>" in page
        )


def test_page_asks_nothing_of_any_host(page):
    assert "http" not in page.replace("http-equiv", "")
    assert not re.search(r"(?:src|href|action)=[\"'](?!#)", page)
    assert not re.search(r"url\((?!#)", page)
    assert "@import" not in page
    assert "<link" not in page
    assert re.findall(r"<script(?! type=\"application/json\")", page) == []


def test_page_is_escaped_whole_and_names_ids_once(page):
    assert "tide &lt;1&gt; &amp; co" in page
    assert "tide <1>" not in page
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    used = set(re.findall(r"(?:href=\"#|url\(#)([^\")]+)", page))
    assert used <= set(ids)
    assert "nan" not in re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL).replace("finance", "").lower()
    # Drawings take their colours from the page, or they would be unreadable in the dark.
    assert not re.search(r"(?:fill|stroke|stop-color): #", page)


def test_page_says_what_simulation_means_and_shows_the_cautions(page):
    assert "calibration against the simulation, not against cars in the street" in page
    assert "A probability is not permission to drive" in page
    assert "licensed technicians" in page


def test_page_shows_the_limit_where_it_is_known(sound, page):
    # The sound forecasts are the truth, so they score the limit.
    assert sound.whole.score.score == pytest.approx(sound.limit.integrated, abs=4 * sound.whole.score.standard_error)
    row = re.search(r"<tr><th scope=\"row\">Limit,.*?</tr>", page)[0]
    assert f"from {sound.limit.moments} moments" in row
    assert f"<td>{sound.limit.integrated:.4f}</td>" in row
    assert "The limit is the error" in page
    bare = render_html(sound.model_copy(update={"limit": None}))
    assert "The limit is the error" not in bare
    assert "Limit," not in bare


def test_equal_reports_make_equal_pages(sound, page):
    for draw in (reliability_plot, brier_plot, distribution_plot, gap_plot):
        draw.cache_clear()
    assert page == render_html(CalibrationReport.model_validate_json(sound.model_dump_json()))


def test_a_report_that_is_looked_at_again_is_not_drawn_again(sound, page, monkeypatch):
    assert page == render_html(sound)
    monkeypatch.setattr("training.report.plots.canvas", None)
    assert page == render_html(CalibrationReport.model_validate_json(sound.model_dump_json()))
    with pytest.raises(TypeError):
        render_html(sound.model_copy(update={"brier_by_day": sound.brier_by_day[:1]}))


def test_thresholds_decide():
    inputs = marrow_bay(hazard=1 / 1.5, bound_factor=1.5)
    lax = Thresholds(gap=0.4, gap_excluded=0.6, slope=0.9, bin_share=0.5, bound_short=0.4, bound_excluded=0.45)
    assert of(build_report(inputs, lax), "off") == []


def test_too_few_rows_or_unlike_lengths_are_refused():
    with pytest.raises(NotEstimable, match="200"):
        build_report(marrow_bay(n=150))
    inputs = marrow_bay(n=400)
    with pytest.raises(BadInput) as caught:
        build_report(ReportInputs(**{**vars(inputs), "groups": {"fleet": np.array(["vans"])}}))
    assert caught.value.problems[0].where == "groups[fleet]"
