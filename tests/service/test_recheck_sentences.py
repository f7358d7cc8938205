"""What a recheck plan says aloud: promises rounded down, no permission, and no minus signs."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from models.interventions.recheck import ReadingMeaning, RecheckPlan
from service.forecasting.recheck.sentences import gains, row_sentence, sentences_of

AGAIN = "Enter the reading and ask again."

ROW = ReadingMeaning(None, 60.0, 0.5, 19.97, False, 0.05, 0.08, False)


def plan_with(*rows: ReadingMeaning, **changed: object) -> RecheckPlan:
    nothing_withheld = SimpleNamespace(withheld_by=())
    plan = RecheckPlan(nothing_withheld, 0.1, 8.3, 5, 2.26, ((3, 1.0), (5, 2.26)), rows, 70.0, ())  # type: ignore[arg-type]
    return replace(plan, **changed)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (None, 60.0, "up to 60 mV below"),
        (180.0, None, "more than 180 mV below"),
        (60.0, 180.0, "60 to 180 mV below"),
        (0.0, 60.0, "level to 60 mV below"),
        (None, -30.0, "more than 30 mV above"),
        (-30.0, 90.0, "30 mV above to 90 mV below"),
        (-30.0, -10.0, "10 to 30 mV above"),
        (-30.0, None, "lower than 30 mV above"),
        (None, None, "whatever it reads"),
    ],
)
def test_a_range_reads_well(low, high, words):
    row = replace(ROW, low_mv=low, high_mv=high)
    said = row_sentence(row, plan_with(row))
    assert said == f"On day 5, against the median of all blocks, {words}: good for 19 days from then. " + AGAIN


def test_a_row_past_the_limit_says_not_to_drive_on():
    row = replace(ROW, good_for_days=0.6, stop=True, low_mv=180.0, high_mv=None)
    said = row_sentence(row, plan_with(row))
    # "over 180 mV" was read as above the median, where the table of the same page said below.
    assert said == (
        "On day 5, against the median of all blocks, more than 180 mV below: do not drive on. "
        "The risk of 10% is passed within a day. " + AGAIN
    )


def test_nothing_is_claimed_beyond_the_horizon():
    row = replace(ROW, good_for_days=90.0, beyond_horizon=True)
    assert row_sentence(row, plan_with(row)).endswith("good for 90 days; nothing is claimed beyond. " + AGAIN)


def test_the_answer_begins_with_the_limit_and_the_day():
    said = sentences_of(plan_with(ROW))
    assert said[0] == "Without a new reading the risk of a return passes 10% after 8 days."
    assert (
        said[1] == "The best day to read it again is day 5: that buys about 2 days more on average, at the same risk."
    )
    # A day that buys nothing was named as the best one all the same.
    for worth in (0.0, 0.2, -1.3):
        assert not gains(plan_with(ROW, worth_days=worth))
        nothing = sentences_of(plan_with(ROW, worth_days=worth))
        assert nothing[1] == (
            "A reading before then would not gain a whole day, on average, at the same risk: it is not worth "
            "an extra trip."
        )
        assert not any("best day" in sentence for sentence in nothing)
    assert "to the end of the forecast" in sentences_of(plan_with(ROW, limit_day=None))[0]


def test_no_later_day_to_wait_for_is_said_plainly():
    (said,) = sentences_of(plan_with(day=None, limit_day=0.4))
    assert said.startswith("The risk of a return passes 10% before a day is over")
    assert said.endswith("Read it now, or do not let it go.")


def test_a_reading_that_no_pack_made_is_a_stop_and_no_number():
    row = replace(
        ROW, low_mv=90.0, high_mv=None, share=0.0, good_for_days=0.0, return_7=None, return_14=None, stop=True
    )
    said = row_sentence(row, plan_with(row))
    assert "more than 90 mV below: stop. Do not drive on" in said
    assert said.endswith(AGAIN)


def test_an_owner_is_sent_back_for_a_whole_day_or_not_at_all():
    """A tenth of a day sent a car back to the bench."""
    assert not gains(plan_with(ROW, worth_days=0.9))
    assert gains(plan_with(ROW, worth_days=1.0))
