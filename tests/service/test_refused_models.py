"""A corrupt, foreign or missing model: 409 over HTTP, status 2 on the command line, and nothing of it runs."""

from __future__ import annotations

import json
import pickle
import shutil
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from service.core.settings import Settings


class RunsWhenLoaded:
    def __init__(self, marker: Path) -> None:
        self.marker = marker

    def __reduce__(self):
        return (Path.write_text, (self.marker, "it ran"))


def cut_off(folder: Path, _marker: Path) -> None:
    path = folder / "model.joblib"
    path.write_bytes(path.read_bytes()[:-1000])


def flip_a_bit(folder: Path, _marker: Path) -> None:
    path = folder / "model.joblib"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def foreign(folder: Path, marker: Path) -> None:
    size = (folder / "model.joblib").stat().st_size
    (folder / "model.joblib").write_bytes(pickle.dumps(RunsWhenLoaded(marker)).ljust(size, b"\0"))


def of_another_version(folder: Path, _marker: Path) -> None:
    path = folder / "manifest.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"code_version": "0.0.1"}))


def gone(folder: Path, _marker: Path) -> None:
    shutil.rmtree(folder)


def never_there(folder: Path, _marker: Path) -> None:
    shutil.rmtree(folder.parent)


DAMAGE = {
    cut_off: "cut off",
    flip_a_bit: "was changed, and was not loaded",
    foreign: "was changed, and was not loaded",
    of_another_version: "made with tideover 0.0.1 (here",
    gone: "folder is gone",
    never_there: "no trained model yet",
}


@pytest.mark.parametrize("damage", DAMAGE, ids=lambda damage: damage.__name__)
def test_refused_model_is_told_everywhere_and_never_run(damage, home, tmp_path, problem_in, tideover, van_case):
    own = shutil.copytree(home, tmp_path / "home")
    marker = tmp_path / "marker"
    (folder,) = [path for path in (own / "models").iterdir() if path.is_dir()]
    damage(folder, marker)
    settings = Settings.from_environment({"TIDEOVER_HOME": str(own), "TIDEOVER_LOG_LEVEL": "error"})
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        for response in (
            client.post("/v1/forecasts", json=van_case),
            client.get("/v1/model"),
            client.get("/v1/calibration"),
            client.get("/v1/calibration.html"),
        ):
            document = problem_in(response, 409)
            assert document["type"] == "urn:tideover:problem:model-refused"
            assert DAMAGE[damage] in document["detail"]
            assert str(own) not in document["detail"], (
                "where it lies on the machine is nobody's business from elsewhere"
            )
        page = client.get("/bench/add")
        assert DAMAGE[damage] in page.text
        assert str(own) not in page.text
        assert DAMAGE[damage] in problem_in(client.get("/readyz"), 503)["detail"]
        assert client.get("/healthz").json() == {"status": "alive"}
    path = tmp_path / "case.json"
    path.write_text(json.dumps(van_case))
    ran = tideover("forecast", path, env={"TIDEOVER_HOME": str(own)})
    assert ran.exit_code == 2
    assert ran.stdout == ""
    where, what, mend = ran.stderr.splitlines()
    assert DAMAGE[damage] in what
    assert where.startswith("where: /")
    assert mend.startswith("mend:  ")
    assert not marker.exists()


def test_service_takes_up_a_promotion_without_a_restart(home, tmp_path, settings, tideover):
    own = shutil.copytree(home, tmp_path / "home")
    env = {"TIDEOVER_HOME": str(own)}
    (name,) = [path.name for path in (own / "models").iterdir() if path.is_dir()]
    pointer = own / "models" / "current.json"
    pointer.rename(tmp_path / "put-aside.json")
    with TestClient(create_app(settings.model_copy(update={"home": own})), base_url="http://127.0.0.1") as client:
        assert client.get("/readyz").status_code == 503
        assert tideover("models", "promote", name, env=env).exit_code == 0
        assert client.get("/readyz").json()["model_id"] == name


def test_loose_permissions_are_refused_on_the_command_line(home, tmp_path, tideover, van_case):
    own = shutil.copytree(home, tmp_path / "home")
    (own / "models").chmod(0o770)
    path = tmp_path / "case.json"
    path.write_text(json.dumps(van_case))
    ran = tideover("forecast", path, env={"TIDEOVER_HOME": str(own)})
    assert ran.exit_code != 0
    assert "Other users of this machine may write to it" in ran.stderr
    assert "chmod go-w" in ran.stderr
