"""Every subject goes through the same life over REST, on both databases."""

from __future__ import annotations

import pytest

from service.records.subjects.all_subjects import SUBJECTS

BY_NAME = {subject.name: subject for subject in SUBJECTS}
CHANGE = {
    "vehicles": {"site": "north pier"},
    "packs": {"age_years": 15},
    "assignments": {"until": "2026-03-01T00:00:00Z"},
    "readings": {"temperature_c": None},
    "topups": {"charge_ah": 1.2},
    "usage": {"km_per_day": 8},
    "outcomes": {"kind": "replaced", "code": None},
    "costs": {"stranding": 750},
    "suppliers": {"title": "North Quay"},
    "offers": {"price": 1390},
    "deliveries": {"express": True},
}
PACK = {"id": "MB-CAB-03", "family": "gravel-14"}
VOLTS = [13.0] * 14


def address(subject) -> str:
    return f"/v1/{subject.name}/{subject.example['id'] if subject.named else 1}"


@pytest.mark.parametrize("name", BY_NAME)
def test_life_of_a_record(filled, problem_in, clock, name):
    subject, at = BY_NAME[name], address(BY_NAME[name])
    read = filled.get(at)
    assert read.status_code == 200
    assert read.headers["ETag"] == '"1"'
    first = read.json()
    assert first["version"] == 1
    assert filled.get(f"/v1/{name}").json() == {"items": [first], "next_cursor": None}

    clock.forward(hours=1)
    corrected = filled.patch(at, json=CHANGE[name])
    assert corrected.status_code == 200, corrected.text
    assert corrected.headers["ETag"] == '"2"'
    second = corrected.json()
    assert second == first | second
    assert {key for key in first if first[key] != second[key]} == {*CHANGE[name], "version", "recorded_at"}
    assert filled.get(at).json() == second

    again = filled.patch(at, json=CHANGE[name])
    assert again.json() == second, "a correction that changes nothing makes no version"

    versions = filled.get(f"{at}/versions").json()["items"]
    assert [v["version"] for v in versions] == [1, 2]
    assert versions[0]["content"] == {key: first[key] for key in subject.columns}
    assert versions[0]["superseded_at"] == second["recorded_at"] == versions[1]["recorded_at"]
    assert versions[1]["superseded_at"] is None
    if name not in ("vehicles", "packs", "suppliers", "topups"):
        assert filled.delete(at).status_code == 204
        problem_in(filled.get(at), 404)
        problem_in(filled.delete(at), 404)
        assert [v["withdrawn"] for v in filled.get(f"{at}/versions").json()["items"]] == [False, True]
        assert filled.get(f"/v1/{name}").json()["items"] == []


@pytest.mark.parametrize("name", BY_NAME)
def test_what_is_not_there_is_404(api, problem_in, name):
    at = address(BY_NAME[name])
    assert "There is no" in problem_in(api.get(at), 404)["detail"]
    problem_in(api.patch(at, json=CHANGE[name]), 404)
    problem_in(api.delete(at), 404)
    problem_in(api.get(f"{at}/versions"), 404)


@pytest.mark.parametrize("name", ["vehicles", "packs", "suppliers"])
def test_a_record_that_others_speak_of_stays(filled, problem_in, name):
    document = problem_in(filled.delete(address(BY_NAME[name])), 409)
    assert "Withdraw those first" in document["detail"]
    assert filled.get(address(BY_NAME[name])).status_code == 200


def test_a_pack_of_which_a_forecast_was_kept_stays_and_what_to_do_is_said(filled, problem_in):
    """ "In forecasts: 1. Withdraw those first": there is no way to withdraw a forecast."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    detail = problem_in(filled.delete(address(BY_NAME["packs"])), 409)["detail"]
    assert detail.startswith("On record of pack MB-VAN-07, in assignments: 1, ")
    assert filled.post("/v1/packs/MB-VAN-07/forecasts", json={}).status_code == 201
    detail = problem_in(filled.delete(address(BY_NAME["packs"])), 409)["detail"]
    assert detail.startswith("1 forecast of pack MB-VAN-07 was kept.")
    assert detail.endswith("if it is out of use, record that it was retired.")


def test_a_topup_whose_outcome_is_known_stays(filled, problem_in):
    document = problem_in(filled.delete("/v1/topups/1"), 422)
    assert "lies before the pack's first top-up" in document["problems"][0]["what"]
    assert filled.delete("/v1/outcomes/1?reason=a+slip").status_code == 204
    assert filled.delete("/v1/topups/1").status_code == 204


def test_a_name_can_be_used_again_and_its_versions_count_on(api):
    for version in (1, 2):
        assert api.post("/v1/vehicles", json={"id": "MB-VAN-01"}).json()["version"] == version
        assert api.delete("/v1/vehicles/MB-VAN-01").status_code == 204
    versions = api.get("/v1/vehicles/MB-VAN-01/versions").json()["items"]
    assert [(v["version"], v["withdrawn"]) for v in versions] == [(1, True), (2, True)]


def test_if_match_keeps_two_people_from_overwriting_each_other(filled, problem_in):
    tag = filled.get("/v1/vehicles/MB-VAN-07").headers["ETag"]
    assert filled.patch("/v1/vehicles/MB-VAN-07", json={"site": "a"}, headers={"If-Match": tag}).status_code == 200
    late = filled.patch("/v1/vehicles/MB-VAN-07", json={"site": "b"}, headers={"If-Match": tag})
    assert problem_in(late, 412)["type"] == "urn:tideover:problem:outdated"
    problem_in(filled.delete("/v1/outcomes/1?reason=a+slip", headers={"If-Match": '"7"'}), 412)
    assert filled.delete("/v1/outcomes/1?reason=a+slip", headers={"If-Match": '"7", "1"'}).status_code == 204


@pytest.mark.parametrize("path", ["/v1/vehicles/MB-VAN-07", "/v1/vehicles", "/v1/packs/MB-VAN-07/history"])
def test_if_none_match_saves_an_answer_that_has_not_changed(filled, path):
    """RFC 9110, 13.1.2 and 15.4.5: 304 carries the tag and no body."""
    tag = filled.get(path).headers["ETag"]
    same = filled.get(path, headers={"If-None-Match": f'"other", W/{tag}'})
    assert (same.status_code, same.content, same.headers["ETag"]) == (304, b"", tag)
    filled.patch("/v1/vehicles/MB-VAN-07", json={"site": "c"})
    filled.patch("/v1/readings/1", json={"temperature_c": 11})
    assert filled.get(path, headers={"If-None-Match": tag}).status_code == 200


def test_pages_show_every_record_once_while_others_come_and_go(api):
    names = [f"MB-CAB-{n:02d}" for n in range(25)]
    for name in names:
        api.post("/v1/vehicles", json={"id": name})
    seen, cursor = [], None
    while True:
        page = api.get("/v1/vehicles", params={"limit": 10, **({"cursor": cursor} if cursor else {})}).json()
        seen += [record["id"] for record in page["items"]]
        if (cursor := page["next_cursor"]) is None:
            break
        api.post("/v1/vehicles", json={"id": f"MB-AAA-{len(seen)}"})
        api.delete(f"/v1/vehicles/{seen[0]}")
    assert seen == names


@pytest.mark.parametrize(
    ("query", "what"),
    [
        ("limit=0", "This is less than 1."),
        ("limit=501", "This is more than 500."),
        ("cursor=abc", "not a cursor"),
        ("cursor=WyJwYWNrcyIsICJhIl0", "not a cursor"),
        ("colour=red", "not known here"),
        ("pack_id=a%20b", "characters in it that cannot stand here"),
        ("since=yesterday", "not a time"),
        ("since=2026-01-01T00:00:00", "offset from UTC is missing"),
    ],
)
def test_wrong_queries_say_what_is_wrong(api, problem_in, query, what):
    assert what in problem_in(api.get(f"/v1/readings?{query}"), 422)["problems"][0]["what"]


def test_the_largest_page_is_a_setting(make_api, problem_in):
    api = make_api(max_page=2)
    assert "This is more than 2." in problem_in(api.get("/v1/packs?limit=3"), 422)["problems"][0]["what"]
    assert api.get("/v1/packs").status_code == 200


def test_filters_narrow_a_list(filled):
    filled.post("/v1/packs", json=PACK)
    for day, state, amps in ((1, "rest", 0), (2, "discharge", 20), (3, "rest", 0)):
        reading = {"pack_id": PACK["id"], "time": f"2026-03-1{day}T08:00:00Z", "state": state, "current_a": amps}
        assert filled.post("/v1/readings", json=reading | {"block_v": VOLTS}).status_code == 201

    def days(**query):
        return [r["time"][:10] for r in filled.get("/v1/readings", params=query).json()["items"]]

    assert days(pack_id="MB-CAB-03") == ["2026-03-11", "2026-03-12", "2026-03-13"]
    assert days(pack_id="MB-CAB-03", state="rest") == ["2026-03-11", "2026-03-13"]
    assert days(since="2026-03-12T08:00:00Z", before="2026-03-13T08:00:00Z") == ["2026-03-12"]


WRONG = {
    "no such pack": ("readings", {"pack_id": "MB-VAN-99"}, "pack_id", "There is no 'MB-VAN-99' among the packs"),
    "too few blocks": ("readings", {"time": "2026-03-05T08:00:00Z", "block_v": VOLTS[1:]}, "block_v", "has 13 blocks"),
    "millivolts": ("readings", {"time": "2026-03-05T08:00:00Z", "block_v": [13000] * 14}, "input", "millivolts"),
    "an impossible volt": (
        "readings",
        {"time": "2026-03-05T08:00:00Z", "block_v": [13.0] * 13 + [99.0]},
        "block_v[13]",
        "99 V is impossible",
    ),
    "year 1": ("readings", {"time": "0001-01-01T00:00:00+14:00"}, "time", "between 1990 and 2100"),
    "no offset": ("readings", {"time": "2026-03-05T08:00:00"}, "time", "offset from UTC is missing"),
    "a block too many": ("topups", {"time": "2026-03-13T08:00:00Z", "blocks": [15]}, "blocks", "Block 15 is named"),
    "an end voltage of the whole string": (
        "topups",
        {"time": "2026-03-13T08:00:00Z", "end_v": 45.0},
        "end_v",
        "45 V is impossible for a block of 10 cells",
    ),
    "a second return": (
        "outcomes",
        {"time": "2026-03-13T07:20:09Z", "kind": "returned"},
        "time",
        "the fault came back, but it was over at 2026-03-13 07:20",
    ),
    "two open top-ups": (
        "topups",
        {"time": "2026-03-04T08:00:00Z"},
        "time",
        "the top-up of 2026-03-02 12:50+00:00 is still open",
    ),
    "outcome before top-up": ("outcomes", {"time": "2026-03-01T08:00:00Z"}, "time", "before the pack's first top-up"),
    "unknown family": ("packs", {"id": "MB-VAN-08", "family": "granite-99"}, "family", "'granite-99' is not known"),
    "name with a space": ("packs", {"id": "MB VAN"}, "id", "characters in it that cannot stand here"),
    "NUL in text": ("vehicles", {"id": "MB-VAN-08", "duty": "a\0b"}, "duty", "characters in it that cannot stand here"),
    "misspelt": ("vehicles", {"id": "MB-VAN-08", "dutty": "x"}, "dutty", "not known here"),
    "no currency": ("offers", {"currency": "XYZ"}, "currency", "not a currency of ISO 4217"),
    "days out of order": ("offers", {"earliest_days": 30}, "input", "not in order"),
    "spoken for": ("assignments", {"since": "2026-01-01T00:00:00Z"}, "pack_id", "the pack is spoken for"),
    "arrived before it was ordered": (
        "deliveries",
        {"arrived_at": "2026-01-01T00:00:00Z"},
        "input",
        "before the order date",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_makes_no_sense_is_refused_in_plain_words(filled, problem_in, case):
    name, changed, where, what = WRONG[case]
    before = filled.get(f"/v1/{name}").json()
    document = problem_in(filled.post(f"/v1/{name}", json={**BY_NAME[name].example, **changed}), 422)
    assert document["problems"][0]["where"] == where
    assert what in document["problems"][0]["what"]
    assert filled.get(f"/v1/{name}").json() == before


def test_a_correction_must_make_sense_too(filled, problem_in):
    assert problem_in(filled.patch("/v1/readings/1", json={"block_v": [13.0, 13.0]}), 422)
    assert problem_in(filled.patch("/v1/outcomes/1", json={"time": "2026-03-01T00:00:00Z"}), 422)
    assert problem_in(filled.patch("/v1/readings/1", json={"time": None}), 422)
    document = problem_in(filled.patch("/v1/packs/MB-VAN-07", json={"family": "flint-40"}), 422)
    assert "14 blocks, but family flint-40 has 20" in document["problems"][0]["what"]
    assert filled.get("/v1/readings/1").json()["version"] == 1


@pytest.mark.parametrize("name", ["readings", "topups", "usage", "packs"])
def test_the_same_fact_twice_is_a_conflict(filled, problem_in, name):
    document = problem_in(filled.post(f"/v1/{name}", json=BY_NAME[name].example), 409)
    assert document["type"] == "urn:tideover:problem:conflict"


def test_a_pack_moves_between_vehicles_by_date(filled, problem_in):
    filled.post("/v1/vehicles", json={"id": "MB-CAB-11"})
    move = {"pack_id": "MB-VAN-07", "vehicle_id": "MB-CAB-11", "since": "2026-03-10T00:00:00Z"}
    problem_in(filled.post("/v1/assignments", json=move), 422)
    assert filled.patch("/v1/assignments/1", json={"until": "2026-03-10T00:00:00Z"}).status_code == 200
    # Its fault is back and nothing was charged since: that is asked about.
    sure = problem_in(filled.post("/v1/assignments", json=move), 409)["sure"]
    assert filled.post("/v1/assignments", json=move, headers={"Sure": sure}).status_code == 201
    assert [a["vehicle_id"] for a in filled.get("/v1/assignments?pack_id=MB-VAN-07").json()["items"]] == [
        "MB-VAN-07",
        "MB-CAB-11",
    ]


def test_a_body_over_the_limit_is_refused(make_api, problem_in):
    api = make_api(max_records_bytes=1000)
    response = api.post("/v1/readings", json={**BY_NAME["readings"].example, "block_v": [13.0] * 400})
    assert "1000 bytes" in problem_in(response, 413)["detail"]


def test_a_body_that_is_not_declared_as_json_is_refused(api, problem_in):
    problem_in(api.post("/v1/vehicles", content=b'{"id": "a"}', headers={"Content-Type": "text/plain"}), 415)


def test_an_order_for_a_case_names_a_pack_of_its_family(filled, problem_in):
    order = {"supplier_id": "north-quay", "family": "gravel-14", "ordered_at": "2026-03-03T09:00:00Z"}
    made = filled.post("/v1/deliveries", json={**order, "pack_id": "MB-VAN-07", "express": True})
    assert made.status_code == 201
    assert filled.get("/v1/deliveries?pack_id=MB-VAN-07").json()["items"] == [made.json()]
    assert "among the packs" in problem_in(filled.post("/v1/deliveries", json={**order, "pack_id": "x"}), 422)["detail"]
    other = {**order, "family": "flint-40", "pack_id": "MB-VAN-07"}
    assert "is of the family 'gravel-14'" in problem_in(filled.post("/v1/deliveries", json=other), 422)["detail"]
    assert filled.post("/v1/deliveries", json=order).json()["pack_id"] is None


@pytest.mark.parametrize(
    ("address", "status"),
    [("/v1/packs/%00", 404), ("/v1/packs/a%00b/history", 404), ("/v1/packs?vehicle_id=%00", 422)],
)
def test_a_nul_which_no_database_stores_is_no_number_of_anything(api, problem_in, address, status):
    assert "%00" in problem_in(api.get(address), status)["detail"]
