"""What a form says at a field is said in plain words, never in a validator's."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from models.base.errors import BadInput, problems_from
from service.decisions.fleet.schemas import PlanRequest, ReturnsRequest
from service.decisions.ordering.schemas import QueueRequest
from service.decisions.stock.schemas import StockRequest
from service.operation.key_routes import NewKey
from service.pages.wording import moment_from
from service.records.subjects.packs import NewPack
from service.records.subjects.readings import READINGS
from service.records.subjects.suppliers import NewOffer
from service.records.subjects.topups import TOPUPS
from service.records.subjects.vehicles import NewVehicle

VALIDATORS = re.compile(
    r"Input|should|valid|datetime|Tuple|List|item|literal|pattern|match|greater than or|less than or|finite|"
    r"permitted|parse|Correct this value"
)
TYPED = [
    (NewVehicle, {"id": "a b!"}, "There are characters in it that cannot stand here."),
    (NewVehicle, {"id": "a" * 150}, "This is longer than 64 characters. Shorten it."),
    (NewPack, {"id": "a", "family": "marl-28", "age_years": "old"}, "This is not a number."),
    (NewPack, {"id": "a", "family": "marl-28", "odometer_km": "-3"}, "This is less than 0. Give 0 or more."),
    (NewPack, {"id": "a", "family": "marl-28", "age_years": "999"}, "This is more than 60. Give 60 or less."),
    (NewPack, {}, "This is required."),
    (
        TOPUPS.new,
        {"pack_id": "a", "time": "2026-03-02T08:00:00Z", "blocks": []},
        "too few of these: 0. Give at least 1.",
    ),
    (READINGS.new, {"pack_id": "a", "time": "soon", "state": "flat", "block_v": ["x"]}, "This is not a time."),
    (NewOffer, {"supplier_id": "a", "family": "b", "price": "1", "currency": "euro"}, "three capital letters, as EUR."),
    (NewOffer, {"supplier_id": "a", "price": "inf", "usual_days": "1.5"}, "This is not a whole number."),
    (PlanRequest, {"slots": ["a"], "packs": ["-1"], "budget": "x"}, "This is less than 0."),
    (ReturnsRequest, {"weeks": "99"}, "This is more than 26."),
    (StockRequest, {"on_shelf": "some"}, "This is not a whole number."),
    (QueueRequest, {"risk": 2}, "This is 1 or more. Give a share of 1, as 0.05 for 5 in 100."),
    (QueueRequest, {"risk": 5}, "This is 1 or more. Give a share of 1, as 0.05 for 5 in 100."),
    (
        TOPUPS.new,
        {"pack_id": "a", "time": "2026-03-02T08:00:00Z", "blocks": [5], "charge_ah": 1730},
        "This is more than 500. Give 500 or less. If it was read in mAh, divide it by 1000.",
    ),
    (
        READINGS.new,
        {"pack_id": "a", "time": "2026-03-02T08:00:00Z", "state": "rest", "block_v": [15000, 15100]},
        "A block reads 15100 V; this looks like millivolts.",
    ),
    (NewKey, {"title": "", "role": "boss", "days": "x"}, "This is not one of 'bench', 'parts',"),
]


@pytest.mark.parametrize(("schema", "typed", "said"), TYPED, ids=lambda value: getattr(value, "__name__", ""))
def test_plain_words(schema, typed, said):
    with pytest.raises(ValidationError) as caught:
        schema.model_validate(typed)
    texts = [f"{problem.what} {problem.mend}" for problem in problems_from(caught.value)]
    assert any(said in text for text in texts), texts
    for text in texts:
        assert VALIDATORS.search(text) is None, text
        assert "{" not in text


def test_a_time_written_another_way_is_told_in_plain_words():
    with pytest.raises(BadInput) as raised:
        moment_from("time", "27/11/2026 08:00", ZoneInfo("UTC"))
    (problem,) = raised.value.problems
    assert "isoformat" not in problem.what
    assert "it is not written as year, month and day, as 2026-03-14 09:30" in problem.what
