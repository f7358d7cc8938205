"""Every wrong case is told in the same words over REST and on the command line: where, what, how to mend it."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable

import pytest

Change = Callable[[dict], None]


def empty(case):
    case["history"]["readings"] = []
    case["history"]["topups"] = []
    case["history"].pop("outcomes", None)


def one_block(case):
    case["history"]["readings"][0]["block_v"] = [14.4]


def unequal_blocks(case):
    case["history"]["readings"][1]["block_v"].pop()


def all_too_few_blocks(case):
    for reading in case["history"]["readings"]:
        reading["block_v"].pop()


def millivolts(case):
    case["history"]["readings"][0]["block_v"] = [v * 1000 for v in case["history"]["readings"][0]["block_v"]]


def whole_pack_volts(case):
    case["history"]["readings"][0]["block_v"][2] = 201.0


def out_of_order(case):
    case["history"]["readings"].reverse()


def without_offset(case):
    case["history"]["readings"][0]["time"] = "2026-03-02T08:30:00"


def no_time(case):
    case["history"]["readings"][0]["time"] = "second of March"


def nan(case):
    case["history"]["readings"][0]["block_v"][1] = math.nan


def infinity(case):
    case["history"]["readings"][0]["current_a"] = -math.inf


def infinite_plan(case):
    case["usage"] = {"km_per_day": math.inf}


def unknown_block(case):
    case["history"]["topups"][0]["blocks"] = [99]


def block_zero(case):
    case["history"]["topups"][0]["blocks"] = [0]


def return_before_topup(case):
    case["history"]["outcomes"] = [{"time": "2001-01-01T00:00:00Z", "kind": "returned", "code": "P0A80"}]


def misspelt(case):
    case["history"]["topups"][0]["charge_mah"] = 400


def unknown_family(case):
    case["history"]["family"] = "granite-99"


def other_family_inline(case):
    case["family"] = {"name": "granite-99"}


def beyond_the_horizon(case):
    case["replacement_in_days"] = 91


def bare(case):
    """Ten errors were told of a history that nobody had wrapped."""
    history = case["history"]
    case.clear()
    case.update(history)


def too_sure(case):
    case["confidence"] = [0.999]


def text_for_number(case):
    case["history"]["topups"][0]["charge_ah"] = "a lot"


def negative_discharge(case):
    case["history"]["readings"][0] |= {"state": "discharge", "current_a": -20}


def no_history(case):
    del case["history"]


WRONG: dict[Change, tuple[str, str, str]] = {
    empty: ("history", "no reading and no top-up", "at least the top-up"),
    one_block: ("history.readings[0]", "A reading of 1 block shows no imbalance", "one voltage for each block"),
    unequal_blocks: (
        "history",
        "block_v has 13 blocks but readings[0].block_v has 14",
        "null where a channel was not read",
    ),
    all_too_few_blocks: ("history.readings[0].block_v", "blocks, but family", "name the right family"),
    millivolts: ("history.readings[0]", "looks like millivolts", "divide by 1000"),
    whole_pack_volts: ("history.readings[0].block_v[2]", "201 V is impossible", "not of a cell or of the whole pack"),
    out_of_order: ("history", "lies before readings[0].time", "Sort readings by time"),
    without_offset: ("history.readings[0].time", "offset from UTC is missing", "with its offset"),
    no_time: ("history.readings[0].time", "not a time", "2026-03-02T08:30:00+00:00"),
    nan: ("history.readings[0].block_v[1]", "a number that can be measured", "never send NaN"),
    infinity: ("history.readings[0].current_a", "a number that can be measured", "never send NaN or infinity"),
    infinite_plan: ("usage.km_per_day", "a number that can be measured", "Leave the value out"),
    unknown_block: ("history.topups[0].blocks", "Block 99 is named", "Count blocks from 1"),
    block_zero: ("history.topups[0].blocks[0]", "less than 1", "Give 1 or more"),
    return_before_topup: ("history", "lies before the first top-up", "An outcome follows a top-up"),
    misspelt: ("history.topups[0].charge_mah", "not known here", "spelling"),
    unknown_family: ("history.family", "'granite-99' is not known", "define it"),
    other_family_inline: ("family.title", "required", "Add this field"),
    beyond_the_horizon: ("replacement_in_days", "more than 90", "Give 90 or less"),
    bare: ("input", "a history by itself", 'Wrap it: {"history": {'),
    too_sure: ("confidence[0]", "more than 0.99", "Give 0.99 or less"),
    text_for_number: ("history.topups[0].charge_ah", "not a number", "plain number"),
    negative_discharge: (
        "history.readings[0]",
        "20 A flow into the pack, but the state is under load",
        "turn the sign",
    ),
    no_history: ("history", "required", "Add this field"),
}


@pytest.mark.parametrize("change", WRONG, ids=lambda change: change.__name__)
def test_wrong_case_is_told_the_same_way_everywhere(change, van_case, client, tideover, problem_in, tmp_path):
    where, what, mend = WRONG[change]
    case = copy.deepcopy(van_case)
    change(case)
    text = json.dumps(case)

    response = client.post("/v1/forecasts", content=text, headers={"Content-Type": "application/json"})
    document = problem_in(response, 422)
    assert document["type"] == "urn:tideover:problem:bad-input"
    part = document["problems"][0]
    assert part["where"] == where
    assert what in part["what"]
    assert mend in part["mend"]

    path = tmp_path / "case.json"
    path.write_text(text)
    ran = tideover("forecast", str(path))
    assert ran.exit_code == 2
    assert ran.stdout == ""
    assert ran.stderr.splitlines()[:3] == [
        f"where: {part['where']}",
        f"what:  {part['what']}",
        f"mend:  {part['mend']}",
    ]
    assert len(ran.stderr.splitlines()) == 3 * len(document["problems"])


def test_every_fault_is_told_at_once(van_case, client, problem_in):
    case = copy.deepcopy(van_case)
    nan(case)
    block_zero(case)
    misspelt(case)
    response = client.post("/v1/forecasts", content=json.dumps(case), headers={"Content-Type": "application/json"})
    document = problem_in(response, 422)
    assert [p["where"] for p in document["problems"]] == [
        "history.readings[0].block_v[1]",
        "history.topups[0].blocks[0]",
        "history.topups[0].charge_mah",
    ]
    assert "And 2 more" in document["detail"]


def test_a_pack_without_a_volt_is_answered(van_case, client, problem_in):
    """Divided by the peers' 0 V it was a failure of the service's own."""
    case = copy.deepcopy(van_case)
    readings = case["history"]["readings"]
    readings[0]["block_v"] = [0.0] * len(readings[0]["block_v"])
    # A block that showed no volt stands as a stop until its cells are measured, or the reading is corrected.
    assert problem_in(client.post("/v1/forecasts", json=case), 409)["stops"][0]["code"] == "no-volts"
    for reading in readings:
        reading["block_v"] = [0.0] * len(reading["block_v"])
    document = problem_in(client.post("/v1/forecasts", json=case), 409)
    assert "no-volts" in [stop["code"] for stop in document["stops"]]
