"""What the service says about its model: identity, card, calibration, families, health."""

from __future__ import annotations

import json
import re

import pytest
from fastapi.testclient import TestClient

from models.base.day_grid import DAYS, GRID_VERSION, HORIZON_DAYS
from service.app import create_app
from service.core.settings import Settings
from service.store.upgrading import newest_revision
from training.files.families import load_families

CALIBRATION = "/v1/calibration"


def test_model_tells_what_its_manifest_holds(client, source):
    told = client.get("/v1/model").json()
    manifest = source.current().manifest
    assert told["model_id"] == manifest.model_id
    assert told["payload_sha256"] == manifest.payload_sha256
    assert told["grid"] == {"version": GRID_VERSION, "days": DAYS.tolist(), "horizon_days": HORIZON_DAYS}
    assert told["scores"] == manifest.scores
    assert told["card"].startswith(f"# Model {manifest.model_id}\n")


def test_calibration_is_the_stored_report(client, source):
    response = client.get(CALIBRATION)
    assert response.headers["Content-Type"] == "application/json"
    assert response.json() == source.current().report
    assert response.json()


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        ("text/html", "text/html"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "text/html"),
        ("application/json;q=0.5, text/html", "text/html"),
        ("text/html;q=0.5, application/json", "application/json"),
        ("text/html;q=0", "application/json"),
        ("*/*", "application/json"),
        ("", "application/json"),
        ("text/html;q=rubbish", "application/json"),
    ],
)
def test_calibration_follows_the_accept_header(client, accept, kind):
    """RFC 9110, 12.5.1: the media type with the greater weight; JSON where the caller does not care."""
    response = client.get(CALIBRATION, headers={"Accept": accept})
    assert response.status_code == 200
    assert response.headers["Content-Type"].partition(";")[0] == kind
    assert response.headers["Vary"] == "Accept"


def test_calibration_page_is_the_same_under_its_own_address(client):
    page = client.get("/v1/calibration.html")
    assert page.headers["Content-Type"].startswith("text/html")
    assert page.text == client.get(CALIBRATION, headers={"Accept": "text/html"}).text


def test_page_asks_no_other_host_for_anything(client):
    text = client.get("/v1/calibration.html").text
    for fetched in ('src="http', "src='http", "@import", 'rel="stylesheet" href="http', "url(http"):
        assert fetched not in text


def test_families_can_be_sent_back_as_they_come(client):
    families = client.get("/v1/families").json()["families"]
    assert [family["name"] for family in families] == list(load_families())


def test_own_family_file_is_served_beside_the_shipped_ones(settings, source, client, tmp_path):
    shipped = client.get("/v1/families").json()["families"][0]
    curves = "\n".join(f"{name} = {json.dumps(value)}" for name, value in shipped["curves"].items())
    fields = {name: value for name, value in shipped.items() if name != "curves"} | {"name": "bay-own"}
    text = "\n".join(f"{name} = {json.dumps(value)}" for name, value in fields.items()) + f"\n[curves]\n{curves}\n"
    (tmp_path / "own.toml").write_text(text)
    with TestClient(
        create_app(settings.model_copy(update={"families_dir": tmp_path}), models=source), base_url="http://127.0.0.1"
    ) as own:
        assert "bay-own" in [family["name"] for family in own.get("/v1/families").json()["families"]]


def test_families_folder_that_is_not_there_is_refused(tmp_path):
    from models.base.errors import BadInput

    with pytest.raises(BadInput, match="is not a folder"):
        Settings.from_environment({"HOME": "/h", "TIDEOVER_FAMILIES_DIR": str(tmp_path / "nowhere")})


def test_health_and_readiness(client, source):
    assert client.get("/healthz").json() == {"status": "alive"}
    manifest = source.current().manifest
    assert client.get("/readyz").json() == {
        "status": "ready",
        "model_id": manifest.model_id,
        "payload_sha256": manifest.payload_sha256,
        "schema_revision": newest_revision(),
    }


def test_openapi_names_stay_the_same(client):
    schema = client.get("/openapi.json").json()
    assert schema["openapi"].startswith("3.1")
    names = {
        path: {method: operation["operationId"] for method, operation in operations.items()}
        for path, operations in schema["paths"].items()
    }
    stateless = {
        "/v1/forecasts": {"post": "make_forecast"},
        "/v1/calibration": {"get": "read_calibration"},
        "/v1/calibration.html": {"get": "read_calibration_page"},
        "/v1/model": {"get": "read_model"},
        "/v1/families": {"get": "list_families"},
        "/healthz": {"get": "check_health"},
        "/readyz": {"get": "check_readiness"},
    }
    assert {path: names[path] for path in stateless} == stateless


def test_no_page_of_another_host_is_served(client):
    shown = client.get("/docs")
    assert shown.status_code == 200
    assert not re.search(r'(src|href)="(\w+:)?//', shown.text)
    assert client.get("/redoc").status_code == 404
