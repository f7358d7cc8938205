"""What has happened cannot lie in the future: refused at every door where records are written, and never counted from.

A reading dated ahead moved an overcharged car's promise on to later.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from service.exchange.imports.loading import import_files
from service.records.subjects.all_subjects import SUBJECTS
from service.records.versions import Writer
from tests.service.store.api.test_stops import DOORS, with_history
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)  # as the application's clock stands in these tests
AHEAD = "2026-08-14T09:00:00+00:00"
BY_NAME = {subject.name: subject for subject in SUBJECTS}
SENT = [door for door in DOORS if door["way"].endswith("sent")]
HAPPENED = [(subject.name, name) for subject in SUBJECTS for name in subject.happened]


def test_what_has_happened_is_listed_of_each_kind():
    assert dict.fromkeys(name for name, _ in HAPPENED) == dict.fromkeys(
        ["assignments", "readings", "topups", "outcomes", "offers", "deliveries"]
    )


def ahead_of(name: str, column: str) -> dict:
    later = {"arrived_at": None} if column == "ordered_at" else {}
    if name == "outcomes":
        later = {"kind": "running", "code": None}  # the fault is on record as back already
    return dict(BY_NAME[name].example) | {column: AHEAD} | later


@ON_SQLITE
@pytest.mark.parametrize(("name", "column"), HAPPENED)
@pytest.mark.parametrize("together", [False, True])
def test_it_is_refused_with_where_what_and_mend(filled, problem_in, name, column, together):
    sent = ahead_of(name, column)
    where = f"[0].{column}" if together else column
    document = problem_in(filled.post(f"/v1/{name}", json=[sent] if together else sent), 422)
    (found,) = [problem for problem in document["problems"] if problem["where"] == where]
    assert found["what"] == "2026-08-14 09:00+00:00 is in the future; it is 2026-03-14 09:00+00:00 now."
    assert "Give the time at which it happened" in found["mend"]


@pytest.mark.parametrize(("name", "column"), HAPPENED)
def test_nor_is_it_corrected_into_the_future(filled, problem_in, name, column):
    number = filled.get(f"/v1/{name}").json()["items"][0]["id"]
    change = {"arrived_at": None, column: AHEAD} if name == "deliveries" else {column: AHEAD}
    document = problem_in(filled.patch(f"/v1/{name}/{number}", json=change), 422)
    assert column in [problem["where"] for problem in document["problems"]]


def test_clocks_may_differ_by_minutes_and_plans_lie_ahead(filled):
    near = (NOW + timedelta(minutes=4)).isoformat()
    assert filled.post("/v1/readings", json=dict(BY_NAME["readings"].example) | {"time": near}).status_code == 201
    assert filled.post("/v1/usage", json=ahead_of("usage", "time")).status_code == 201
    sure = {"Sure": "*"}  # that a supplier offers the same twice
    assert filled.post("/v1/offers", json=ahead_of("offers", "valid_until"), headers=sure).status_code == 201


def test_an_import_names_the_row(store, tmp_path):
    (tmp_path / "packs.csv").write_text("pack_id,family\nA,gravel-14\n")
    blocks = [f"block_{n}_v" for n in range(1, 15)]
    rows = [",".join(["A", time, "rest", *["13.0"] * 14]) for time in ("2026-03-02T08:10:00Z", AHEAD)]
    (tmp_path / "readings.csv").write_text("\n".join([",".join(["pack_id", "time", "state", *blocks]), *rows]) + "\n")
    (tmp_path / "topups.csv").write_text(f"pack_id,time,blocks,charge_ah\nA,{AHEAD},3,1\n")
    report = import_files(store, tmp_path, load_families(), Writer("tests", NOW))
    assert not report.stored
    assert [(fault.file, fault.row, fault.column) for fault in report.faults] == [
        ("readings.csv", 3, "time"),
        ("topups.csv", 2, "time"),
    ]
    assert "is in the future" in report.faults[0].reason


@ON_SQLITE
@pytest.mark.parametrize("door", SENT, ids=[f"{door['door']}, {door['way']}" for door in SENT])
def test_nothing_is_counted_from_what_lies_ahead(api, tideover, problem_in, door):
    """A history that is sent along is measured by this machine's clock."""
    reading = {"time": "2099-01-01T08:00:00Z", "state": "rest", "block_v": [13.0] * 14, "inspected": "label"}
    history = {"pack_id": "A", "family": "gravel-14", "readings": [reading]}
    history["topups"] = [{"time": "2026-03-02T09:10:00Z", "blocks": [3], "charge_ah": 1.0}]
    body = with_history(door["body"], history)
    if "command" in door:
        ran = tideover(*door["command"], input=json.dumps(body))
        assert ran.exit_code == 2
        said = ran.stderr
    else:
        said = problem_in(api.post(door["post"], json=body), 422)["detail"]
    assert "readings[0].time" in said
    assert "2099-01-01 08:00+00:00 is in the future" in " ".join(said.split())
