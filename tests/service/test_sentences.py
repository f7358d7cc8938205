"""The sentences say what the figures say, and never more."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import matplotlib as mpl
import pytest

from models.base.day_grid import DAYS, HORIZON_DAYS
from models.decisions.words import in_100
from models.features.definitions import EVIDENCE
from models.forecasts.similar_packs import SimilarPack
from service.forecasting.forecasts.picture import draw_hold_curve
from service.forecasting.forecasts.schemas import (
    EvidenceEffect,
    EvidenceFlag,
    ForecastFigures,
    GoodFor,
    ReturnDay,
    UntilReplacement,
)
from service.forecasting.forecasts.sentences import (
    about_days,
    count_days,
    lead_of,
    movers,
    promised,
    releases,
    sentences_of,
    similar_pack,
    to_measure,
)


def figures(**changes) -> ForecastFigures:
    """Invented figures."""
    usual = {
        "pack_id": "MB-VAN-07",
        "family": "gravel-14",
        "origin": datetime(2026, 3, 2, 8, 30, tzinfo=UTC),
        "days_held": 0.0,
        "good_for": [
            GoodFor(confidence=c, days=d, guarantee="g", beyond_horizon=False)
            for c, d in ((0.8, 8.2), (0.9, 6.4), (0.95, 4.1))
        ],
        "until_replacement": UntilReplacement(days=7, hold_probability=0.884, band_low=0.8, band_high=0.93),
        "return_days": [ReturnDay(returned=0.5, day=16.3, beyond_horizon=False)],
        "restricted_mean_days": 20.0,
        "horizon_days": HORIZON_DAYS,
        "days": DAYS.tolist(),
        "survival": (0.884 ** (DAYS / 7)).tolist(),
        "band_low": [1.0] * len(DAYS),
        "band_high": [1.0] * len(DAYS),
        "kinds": {"leak": 0.62, "fade": 0.2, "neglect": 0.1, "joint": 0.08},
        "flags": [],
        "grid_version": "1",
        "model_id": "m",
        "inputs_digest": "d",
    }
    return ForecastFigures(**(usual | changes))


def test_the_four_plain_sentences():
    assert sentences_of(figures()) == [
        "Nine in ten such packs hold at least 6 days.",
        "Half are back by about day 16.",
        (
            "Until the replacement pack arrives on day 7, 88 of 100 such packs hold "
            "(the model is unsure between 80 and 93)."
        ),
        "The likely weakness is a block that loses charge by itself (leak), 62 in 100.",
    ]


def test_without_a_wait_no_share_is_told_of_it():
    """ "Until the replacement pack arrives on day 0, 100 of 100 such packs hold" is no news."""
    wait = UntilReplacement(days=0, hold_probability=1.0, band_low=1.0, band_high=1.0)
    said = sentences_of(figures(until_replacement=wait))
    assert "The replacement pack is here today: there is no wait to bridge." in said
    assert not any("on day 0" in sentence for sentence in said)


def test_a_share_that_rounds_to_nothing_is_said_once():
    """It was "0 of 100 such packs hold (the model is unsure between 0 and 0)"."""
    wait = UntilReplacement(days=7, hold_probability=0.002, band_low=0.001, band_high=0.004)
    said = "Until the replacement pack arrives on day 7, fewer than 1 of 100 such packs holds."
    gone = (0.002 ** (DAYS / 7)).tolist()
    assert said in sentences_of(figures(until_replacement=wait, survival=gone))


def test_a_promise_below_the_curve_is_said_as_one_and_the_curve_beside_it():
    """ "0 of 100 such packs hold" stood beside a curve that showed 40 where a figure lay out of range."""
    shown = (0.4 ** (DAYS / 30)).tolist()
    none = UntilReplacement(days=30, hold_probability=1e-12, band_low=1e-12, band_high=0.75)
    after = "The curve shows 40 of 100 by then; the promise is made safer than the curve: go by the promise."
    (said,) = [s for s in sentences_of(figures(until_replacement=none, survival=shown)) if "replacement" in s]
    assert said == (
        f"That such a pack holds until the replacement arrives on day 30 cannot be promised of 1 in 100. {after}"
    )
    some = UntilReplacement(days=30, hold_probability=0.32, band_low=1e-12, band_high=0.75)
    (said,) = [s for s in sentences_of(figures(until_replacement=some, survival=shown)) if "replacement" in s]
    assert said.startswith("It can be promised of 32 of 100 such packs that they hold until the replacement arrives on")
    assert said.endswith(after)
    near = UntilReplacement(days=30, hold_probability=0.395, band_low=0.2, band_high=0.75)
    (said,) = [s for s in sentences_of(figures(until_replacement=near, survival=shown)) if "replacement" in s]
    assert "curve" not in said, "that is rounding"


def flag(code: str, *, grave: bool = False) -> EvidenceFlag:
    return EvidenceFlag(code=code, text=f"Something about {code}.", grave=grave)


def test_three_lines_lead_whether_it_may_go_until_when_and_what_to_measure():
    assert lead_of(figures()) == [
        "By these figures it may go for 6 days at most; a licensed technician decides.",
        "Count on it until 2026-03-08 08:30+00:00, not after.",
        "Measure next: all blocks at rest, before it is driven on past 2026-03-08 08:30+00:00.",
    ]
    short = [GoodFor(confidence=0.9, days=0.97, guarantee="g", beyond_horizon=False)]
    assert lead_of(figures(good_for=short, flags=[flag("no-load-reading")])) == [
        "By these figures do not let it go: not even one day can be promised.",
        "There is no day that you can count on.",
        "Measure next: all blocks under load, with the current noted.",
    ]
    used_up = lead_of(figures(), now=datetime(2026, 3, 9, tzinfo=UTC))
    assert used_up[0].startswith(
        "Do not let it go: what was promised is used up. It counted from 2026-03-02 08:30+00:00, until "
    )
    assert used_up[1] == "There is no day that you can count on.", "the date is past"
    ended = datetime(2026, 3, 8, 8, 30, tzinfo=UTC)
    assert lead_of(figures(), now=ended) == used_up, "over at its hour, not at the end of that day"
    last_hours = lead_of(figures(), now=ended - timedelta(hours=3))
    assert last_hours[0] == (
        "By these figures it may go until 2026-03-08 08:30+00:00 and no longer; a licensed technician decides."
    ), "with three hours left a count of whole days would promise up to a day too much"
    assert lead_of(figures(), now=ended - timedelta(days=6)) == lead_of(figures())
    assert lead_of(figures(), now=ended - timedelta(days=4))[0] == (
        "By these figures it may go for 4 days at most; a licensed technician decides."
    )
    assert lead_of(figures(), now=ended - timedelta(days=6, minutes=-1))[0] == (
        "By these figures it may go for 6 days at most; a licensed technician decides."
    ), "a minute after the forecast it was less than 6 days, beside at least 6 days"
    assert lead_of(figures(), now=ended - timedelta(days=2, hours=-4))[:2] == [
        "By these figures it may go for less than 2 days; a licensed technician decides.",
        "Count on it until 2026-03-08 08:30+00:00, not after.",
    ], "it may go for 1 day at most, and was to be counted on until two days hence"
    first, until, measure = lead_of(figures(flags=[flag("overcharge", grave=True), flag("no-load-reading")]))
    assert until == "Until then do not let it go: there is no day that you can count on.", (
        "a date beside it would be counted on"
    )
    assert first == "Do not go by these figures until this has been looked at: Something about overcharge."
    assert measure.startswith("Measure next: all blocks at rest, a day after the charge")


def test_a_pack_that_nobody_read_after_its_charge_is_read_before_it_goes():
    """It "may go for 1 day", and the sheet's own table said not to drive on it, whatever it then read."""
    unread = figures(flags=[flag("no-rest-after")], withheld_by=["no-rest-after"])
    assert not any("such packs hold" in said for said in sentences_of(unread)), "a count of days would be gone by"
    assert lead_of(unread) == [
        (
            "Do not let it go yet: nothing tells how each charged block stands now. Read all blocks at rest, some "
            "hours after the charge, and ask again."
        ),
        "Until then do not let it go: there is no day that you can count on.",
        "Measure next: all blocks at rest, and under load with the current noted.",
    ]
    assert not releases(unread)
    assert releases(figures())


def test_no_chance_of_a_kind_is_said_where_nothing_was_read_under_load():
    said = sentences_of(figures(kinds={"leak": 0.99, "joint": 0.01}, flags=[flag("no-load-reading")]))[-1]
    assert said == (
        "Without a usable reading under load the kind of weakness cannot be told; it looks most like a block that "
        "loses charge by itself (leak)."
    )


@pytest.mark.parametrize("found", [flag("stale"), flag("not-of-today", grave=True)])
def test_how_far_a_block_is_from_its_peers_is_not_told_by_a_reading_of_long_ago(found):
    assert "Topped up: block 5." in sentences_of(figures(block=5))
    said = sentences_of(figures(block=5, flags=[found]))
    assert "Nobody knows how far block 5, topped up, is from its peers by now: read all blocks at rest." in said
    assert said[0].startswith("Do not go by these figures until") == found.grave


@pytest.mark.parametrize(("days", "said"), [(6.999, "6 days"), (6.0, "6 days"), (1.0, "1 day"), (1.99, "1 day")])
def test_a_promise_is_rounded_down(days, said):
    promise = [GoodFor(confidence=0.9, days=days, guarantee="g", beyond_horizon=False)]
    assert sentences_of(figures(good_for=promise))[0] == f"Nine in ten such packs hold at least {said}."
    assert count_days(days) == said


def test_nothing_is_asked_for_again_that_was_just_read():
    """ "Do not let it go" was followed by "all blocks at rest again, before it goes", with the reading just given."""
    none = [GoodFor(confidence=0.9, days=0.4, guarantee="g", beyond_horizon=False)]
    soon = [ReturnDay(returned=0.1, day=0.5, beyond_horizon=False)]
    may_go, _until, measure = lead_of(figures(good_for=none, return_days=soon))
    assert may_go.startswith("By these figures do not let it go")
    assert measure == "Measure next: nothing. Keep it off the road until its pack is replaced."
    used = [GoodFor(confidence=0.9, days=0.0, guarantee="g", beyond_horizon=False)]
    later = [ReturnDay(returned=0.1, day=3.0, beyond_horizon=False)]
    measure = lead_of(figures(good_for=used, return_days=later))[2]
    assert measure == "Measure next: all blocks at rest again, before it is driven."


def test_nothing_left_of_a_promise_is_said_beside_the_days_of_return():
    """ "good for 0.0" stood beside "10 % are back by day 1.2": promises count from when it was last seen."""
    none = [GoodFor(confidence=0.9, days=0.0, guarantee="g", beyond_horizon=False)]
    early = [ReturnDay(returned=0.1, day=1.2, beyond_horizon=False)]
    said = " ".join(sentences_of(figures(good_for=none, return_days=early)))
    assert "It cannot be promised that nine in ten such packs hold even one day. Nothing is left of the promise" in said
    assert "Nothing is left" not in " ".join(sentences_of(figures(return_days=early)))
    soon = [ReturnDay(returned=0.1, day=0.1, beyond_horizon=False)]
    assert "Nothing is left" not in " ".join(sentences_of(figures(good_for=none, return_days=soon)))


@pytest.mark.parametrize(
    "changes",
    [
        {"flags": [EvidenceFlag(code="warm-pack", text="Hot.", grave=True)]},
        {"good_for": [GoodFor(confidence=0.9, days=0.9, guarantee="g", beyond_horizon=False)]},
    ],
    ids=["grave", "not a day"],
)
def test_the_drawing_names_no_day_where_the_verdict_names_none(changes, tmp_path):
    """It drew "good for 6.4 days" beside "do not go by these figures"."""
    drawn = tmp_path / "curve.svg"
    for told, words in ((figures(), "good for 6.4 days"), (figures(**changes), "no day that you can count on")):
        with mpl.rc_context({"svg.fonttype": "none"}):
            draw_hold_curve(told, drawn)
        text = drawn.read_text()
        assert words in text
        assert ("good for" in text) == (told.flags == [] and told.good_for[0].days > 1)


@pytest.mark.parametrize(("days", "printed"), [(6.999, "6.9"), (6.0, "6.0"), (0.05, "none"), (2.3, "2.3")])
def test_a_promise_does_not_grow_in_print(days, printed):
    assert promised(days) == printed


def test_less_than_a_day_is_no_promise():
    promise = [GoodFor(confidence=0.9, days=0.97, guarantee="g", beyond_horizon=False)]
    assert (
        sentences_of(figures(good_for=promise))[0]
        == "It cannot be promised that nine in ten such packs hold even one day."
    )


def test_why_a_promise_is_earlier_than_the_curve_after_an_overcharge():
    """Ten in a hundred back by day 4, and good for only 2 days at 90 %: the reader was not told why."""
    said = [line for line in sentences_of(figures(surplus_left_out=True)) if "had gone in" in line]
    assert said == [
        "Days are promised as if no more than was missing had gone in, so they can be fewer than the curve shows."
    ]
    assert not any("had gone in" in line for line in sentences_of(figures()))


@pytest.mark.parametrize(
    ("confidence", "said"), [(0.8, "Eight in ten"), (0.95, "Nineteen in twenty"), (0.85, "85 in 100")]
)
def test_another_confidence_is_said_as_such(confidence, said):
    promise = [GoodFor(confidence=confidence, days=5.5, guarantee="g", beyond_horizon=False)]
    assert sentences_of(figures(good_for=promise))[0] == f"{said} such packs hold at least 5 days."


def test_the_day_half_are_back_is_never_infinite():
    assert "Half are back by about day 12." in sentences_of(
        figures(return_days=[ReturnDay(returned=0.5, day=12.01, beyond_horizon=False)])
    )
    soon = sentences_of(figures(return_days=[ReturnDay(returned=0.5, day=0.3, beyond_horizon=False)]))
    assert "Half are back within a day." in soon, "it said: by about day 0"
    late = sentences_of(figures(return_days=[ReturnDay(returned=0.5, day=None, beyond_horizon=True)]))
    assert "More than half still hold on day 90; nothing is claimed beyond that day." in late
    assert not any("inf" in sentence.lower() for sentence in late)


def test_a_joint_is_said_not_to_be_cured_by_a_topup():
    spoken = sentences_of(figures(kinds={"leak": 0.1, "fade": 0.1, "neglect": 0.1, "joint": 0.7}))
    assert (
        spoken[-1]
        == "The likely weakness is a bad joint or sense lead, which a top-up does not cure (joint), 70 in 100."
    )


def test_no_kind_is_called_likely_below_even_odds():
    spoken = sentences_of(figures(kinds={"leak": 0.4, "fade": 0.3, "neglect": 0.2, "joint": 0.1}))
    assert spoken[-1].startswith("The kind of weakness is not clear;")


def test_days_already_held_are_said_not_to_count():
    """They count from the newest entry where no moment was named, and the sentence said "from now"."""
    one = figures(days_held=5.4)
    counted = one.origin.isoformat(sep=" ", timespec="minutes")
    said = f"The top-up has already held 5 days; all days here count from {counted}."
    assert sentences_of(one)[0] == said
    assert said.replace("5 days", "0 days") not in sentences_of(figures(days_held=0.4))


def test_a_promise_to_the_horizon_claims_nothing_beyond_it():
    promise = [GoodFor(confidence=0.9, days=90.0, guarantee="g", beyond_horizon=True)]
    assert (
        sentences_of(figures(good_for=promise))[0]
        == "Nine in ten such packs hold at least 90 days; nothing is claimed beyond that day."
    )


def test_what_moves_a_forecast_is_said_in_days_and_only_of_what_is_known():
    effects = [
        EvidenceEffect(evidence="readings after", days=-4.2, known=True),
        EvidenceEffect(evidence="planned use", days=1.06, known=True),
        EvidenceEffect(evidence="top-up", days=0.04, known=True),
        EvidenceEffect(evidence="weather", days=0.0, known=False, worth_days=0.02),
        EvidenceEffect(evidence="while holding", days=0.0, known=False, worth_days=2.34),
        EvidenceEffect(evidence="the pack", days=0.0, known=False),
    ]
    assert movers(effects, 26.0, 22.9, 90.0) == [
        (
            "If only the family and the days held were known, such a pack would hold about 26 days on "
            "average (days past day 90 not counted); with all that is known it is about 23 days."
        ),
        "What the readings after the charge say shortens the forecast by about 4 days.",
        "The planned use lengthens the forecast by about 1 day.",
        "What the top-up took hardly moves the forecast.",
    ]
    most, little, unknown = to_measure(effects)
    assert most.startswith("There is no usable reading since it drove again")
    moved = "For packs like this one it moved the forecast by about 2 days, up or down."
    assert most.endswith(f": read all blocks at rest, and under load, when it next comes by. {moved}")
    assert little.startswith("The temperature is not known")
    assert little.endswith(" For packs like this one it hardly moved the forecast.")
    assert unknown == "Neither age nor odometer of the pack is known: note both."


@pytest.mark.parametrize("evidence", EVIDENCE)
@pytest.mark.parametrize("known", [True, False])
def test_every_kind_of_evidence_has_its_words(evidence, known):
    effects = [EvidenceEffect(evidence=evidence, days=2.0 if known else 0.0, known=known)]
    assert len(movers(effects, 20.0, 22.0, 90.0)) == 1 + known
    assert len(to_measure(effects)) == 1 - known


@pytest.mark.parametrize(
    ("became", "ending"),
    [
        ("returned", "came back 7 days later."),
        ("replaced", "was replaced 7 days later, before the fault came back."),
        ("still holding", "was still holding 7 days later, when last known."),
    ],
)
def test_an_invented_pack_is_never_passed_off_as_seen(became, ending):
    pack = SimilarPack("SIM-1", "gravel-14", 1.7, 7.1, became, "leak", 0.1, same_situation=True, invented=True)
    assert similar_pack(pack) == f"The invented pack SIM-1 (gravel-14, leak) had held 1 day and {ending}"


def test_a_seen_pack_of_another_sort_is_said_to_be_one():
    pack = SimilarPack("MB-CAB-03", "marl-28", 0.2, 1.0, "returned", None, 0.4, same_situation=False, invented=False)
    assert similar_pack(pack) == (
        "Pack MB-CAB-03 (marl-28, of another chemistry or with other evidence) "
        "had held less than a day and came back 1 day later."
    )


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (9.7, "about 10 days"),
        (-4.2, "about 4 days"),
        (1.2, "about 1 day"),
        (0.4, "less than a day"),
        (0.0, "less than a day"),
    ],
)
def test_a_mean_has_no_tenths_to_tell(days, said):
    assert about_days(days) == said


def test_a_chance_of_holding_is_told_as_a_release_tells_it():
    wait = UntilReplacement(days=7, hold_probability=0.7459, band_low=0.129, band_high=0.986)
    shown = (0.7459 ** (DAYS / 7)).tolist()
    told = sentences_of(figures(until_replacement=wait, survival=shown))
    said = next(s for s in told if s.startswith("Until the replacement"))
    assert f"{in_100(0.7459).split()[0]} of 100" in said
    assert "between 12 and 98" in said
