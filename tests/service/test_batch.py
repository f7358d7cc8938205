"""Many packs in one request: line by line what single requests say; a bad line costs the others nothing."""

from __future__ import annotations

import json
from copy import deepcopy

import pytest

from models.packs.history import PackHistory
from models.packs.tables import histories_of

BATCH = "/v1/forecasts/batch"
LINES = {"Content-Type": "application/x-ndjson"}


def sent(client, lines: list[object]):
    body = b"\n".join(one if isinstance(one, bytes) else json.dumps(one).encode() for one in lines)
    return client.post(BATCH, content=body, headers=LINES)


def answered(client, lines: list[object]) -> list[dict]:
    response = sent(client, lines)
    assert response.status_code == 200
    assert response.headers["content-type"].startswith("application/x-ndjson")
    about, *found = [json.loads(line) for line in response.text.splitlines()]
    assert (about["kind"], about["lines"]) == ("about", len(lines))
    assert any("licensed" in caution for caution in about["cautions"])
    assert [one["line"] for one in found] == list(range(1, len(lines) + 1))
    return found


def test_each_line_is_answered_as_a_request_of_its_own(client, small_cohort, monkeypatch):
    monkeypatch.setattr("service.forecasting.batch.answers.AT_ONCE", 7)
    tables = small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:40])
    histories = [h for h in histories_of(tables) if isinstance(h, PackHistory)]
    lines = [{"history": h.model_dump(mode="json")} for h in histories]
    lines += [{**line, "at": h.topups[-1].time.isoformat()} for line, h in zip(lines, histories, strict=True)]
    came = {"forecast": 0, "refused": 0}
    for line, told in zip(lines, answered(client, lines), strict=True):
        alone = client.post("/v1/forecasts", json=line)
        came[told["kind"]] += 1
        if told["kind"] == "forecast":
            mine, single = told["forecast"], alone.json()
            for name, value in mine.items():
                if name in ("survival", "band_low", "band_high"):
                    assert value == pytest.approx(single[name], abs=1e-9)
                elif isinstance(value, float):
                    assert value == pytest.approx(single[name], abs=1e-9), name
                elif name in ("good_for", "return_days", "kinds", "told_levels"):
                    assert flat(value) == pytest.approx(flat(single[name]), abs=1e-9), name
                else:
                    assert value == single[name], name
        elif alone.status_code == 409:
            assert told["stop_codes"] == [stop["code"] for stop in alone.json()["stops"]]
            assert told["reason"].startswith("STOP: ")
        else:
            assert told["problems"] == alone.json()["problems"]
    assert min(came.values()) > 10


def flat(value: object) -> list[float]:
    parts = value.values() if isinstance(value, dict) else value
    if isinstance(parts, str | bool | int | float | None):
        return [] if isinstance(parts, str) or parts is None else [float(parts)]
    return [number for part in parts for number in flat(part)]


def test_a_bad_line_is_told_and_takes_nothing_from_the_others(client, van_case):
    good = {"history": van_case["history"]}
    wrong, unknown = deepcopy(good), deepcopy(good)
    wrong["history"]["readings"][0]["temperature_c"] = 140
    unknown["history"]["family"] = "nobody-knows"
    first, broken, bad, strange, again = answered(client, [good, b"{", wrong, unknown, good])
    assert first["forecast"] == again["forecast"]
    assert (broken["kind"], broken["pack_id"]) == ("refused", None)
    assert bad["problems"][0]["where"] == "history.readings[0].temperature_c"
    assert strange["pack_id"] == van_case["history"]["pack_id"]
    assert "not known" in strange["reason"]


def test_what_is_no_batch_is_refused_in_a_sentence(client, van_case):
    refused = client.post(BATCH, json=van_case)
    assert (refused.status_code, "x-ndjson" in refused.json()["detail"]) == (415, True)
    nothing = client.post(BATCH, content=b" \n", headers=LINES)
    assert (nothing.status_code, "no line" in nothing.json()["detail"]) == (422, True)


def test_turns_are_given_back_after_each_batch(client, van_case):
    for _ in range(2 + 2 * client.app.state.turns.at_once):
        assert sent(client, [{"history": van_case["history"]}]).status_code == 200
    assert client.app.state.turns.waiting == {"short": 0, "long": 0}


def test_a_batch_tells_the_wait_for_the_replacement_as_a_request_does(client, van_case):
    """The field was refused, so nobody could ask it of many."""
    lines = [{"history": van_case["history"], "replacement_in_days": days} for days in (0, 7)]
    lines.append({"history": van_case["history"]})
    for line, told in zip(lines, answered(client, lines), strict=True):
        alone = client.post("/v1/forecasts", json=line).json()["until_replacement"]
        assert told["forecast"]["until_replacement"] == alone
    (bad,) = answered(client, [{"history": van_case["history"], "replacement_in_days": -1}])
    assert "replacement_in_days" in bad["problems"][0]["where"]
