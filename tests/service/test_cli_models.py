"""`tideover models`: real registry, real command line."""

from __future__ import annotations

import shutil

import pytest


@pytest.fixture
def own_home(home, tmp_path):
    """A copy of the shared home that a test may change."""
    return shutil.copytree(home, tmp_path / "home")


def test_list_marks_the_current_model_and_a_refused_one(own_home, tideover):
    (name,) = [path.name for path in (own_home / "models").iterdir() if path.is_dir()]
    (own_home / "models" / "strange").mkdir(mode=0o700)
    ran = tideover("models", "list", env={"TIDEOVER_HOME": str(own_home)})
    assert ran.exit_code == 0
    lines = {line.split()[1]: line.split()[0] for line in ran.stdout.splitlines()[1:]}
    assert lines[name] == "current"
    assert lines["strange"] == "refused"


def test_promote_and_rollback(own_home, tideover):
    env = {"TIDEOVER_HOME": str(own_home)}
    ran = tideover("models", "rollback", env=env)
    assert ran.exit_code == 2
    assert "no earlier model" in ran.stderr
    ran = tideover("models", "promote", "nothing", env=env)
    assert ran.exit_code == 2
    assert ran.stderr.startswith("where: model\nwhat:  There is no model named 'nothing'.\nmend:  ")
    assert "Traceback" not in ran.stderr


def test_empty_home_says_how_to_start(tideover, tmp_path):
    ran = tideover("models", "list", env={"TIDEOVER_HOME": str(tmp_path / "empty")})
    assert ran.exit_code == 0
    assert "tideover demo" in ran.stdout
    assert not (tmp_path / "empty").exists()


def test_card_is_the_one_the_service_gives(home, tideover, client):
    (name,) = [path.name for path in (home / "models").iterdir() if path.is_dir()]
    ran = tideover("models", "card", name)
    assert ran.exit_code == 0
    assert ran.stdout == client.get("/v1/model").json()["card"]
