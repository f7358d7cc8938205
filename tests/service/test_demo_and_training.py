"""From nothing to a forecast: `tideover demo`, `train` and `report`, run as a user runs them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from service.core.cautions import all_cautions
from training.simulation.marrow_bay import demo_van, marrow_bay_fleet


@pytest.fixture(scope="module")
def demonstrated(tmp_path_factory):
    """An empty home after `tideover demo`, and what the demo printed. Fewer packs than usual, to be quick."""
    home = tmp_path_factory.mktemp("demo") / "state"
    ran = subprocess.run(
        [sys.executable, "-m", "service.cli", "demo", "--no-serve", "--packs", "400"],
        env={**os.environ, "TIDEOVER_HOME": str(home), "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        timeout=600,  # a busy machine is slow, not wrong
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    return home, ran


def test_demo_trains_and_forecasts_a_van_until_its_pack_arrives(demonstrated):
    home, ran = demonstrated
    van = demo_van(marrow_bay_fleet())
    assert "no trained model yet" in ran.stdout
    assert f"Pack {van} (" in ran.stdout
    assert "Until the replacement pack arrives on day 7, " in ran.stdout
    for caution in all_cautions("nimh"):
        assert caution in ran.stdout
    assert "Simulating packs: 400 of 400" in ran.stderr
    assert "Training: fitting the members" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert {path.name for path in home.iterdir()} == {"marrow-bay", "models", "pictures"}


def test_demo_draws_the_curve_as_a_picture(demonstrated):
    home, _ = demonstrated
    (picture,) = (home / "pictures").iterdir()
    root = ET.parse(picture).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"


def test_a_second_demo_uses_the_model_and_says_the_same(demonstrated, tideover):
    home, first = demonstrated
    again = tideover("demo", "--no-serve", env={"TIDEOVER_HOME": str(home)})
    assert again.exit_code == 0, again.stderr
    assert "no trained model yet" not in again.stdout
    assert again.stdout.partition("\nPack ")[2] == first.stdout.partition("\nPack ")[2]


def test_demo_tables_can_be_asked_again_with_another_plan(demonstrated, tideover):
    home, first = demonstrated
    van = demo_van(marrow_bay_fleet())
    asked = ["forecast", "--data", home / "marrow-bay", "--pack", van, "--replacement-in-days", "7", "--json"]
    origin = json.loads(tideover(*asked, env={"TIDEOVER_HOME": str(home)}).stdout)["origin"]
    asked += ["--at", origin]  # as of today it is silent, which the demonstration of that day does not say
    plain = tideover(*asked, env={"TIDEOVER_HOME": str(home)})
    driven = tideover(*asked, "--km-per-day", "250", "--trips-per-day", "12", env={"TIDEOVER_HOME": str(home)})
    assert plain.exit_code == driven.exit_code == 0
    for sentence in json.loads(plain.stdout)["sentences"]:
        assert sentence in first.stdout
    assert json.loads(plain.stdout)["survival"] != json.loads(driven.stdout)["survival"]


def test_report_gives_verdicts_scores_and_cautions(demonstrated, tideover, tmp_path):
    home, _ = demonstrated
    env = {"TIDEOVER_HOME": str(home)}
    ran = tideover("report", env=env)
    assert ran.exit_code == 0, ran.stderr
    stored = json.loads(tideover("report", "--json", env=env).stdout)
    for verdict in stored["verdicts"]:
        assert f"{verdict['level']}: {verdict['sentence']}" in ran.stdout
    assert stored["origin_sentence"] in ran.stdout
    assert "integrated Brier score of Cox: " in ran.stdout
    page = tmp_path / "report.html"
    assert tideover("report", "--html", page, env=env).exit_code == 0
    assert page.read_text(encoding="utf-8").lstrip().lower().startswith("<!doctype html")


def test_manifest_tells_what_the_model_learned_from(demonstrated, tideover):
    home, _ = demonstrated
    env = {"TIDEOVER_HOME": str(home)}
    listed = tideover("models", "list", env=env).stdout.splitlines()[1].split()
    assert listed[0] == "current"
    card = tideover("models", "card", listed[1], env=env).stdout
    assert "learned from 400 packs" in card
    assert "simulated packs, all invented" in card
    assert "| coverage of the 90% bound | 0." in card


def test_a_record_that_is_not_there_is_told_with_status_2(tideover, tmp_path):
    """Before a model to start from is trained for minutes, and before anything is written."""
    ran = tideover("train", "--from", tmp_path / "record", env={"TIDEOVER_HOME": str(tmp_path / "home")})
    assert ran.exit_code == 2
    told = ran.stderr.splitlines()
    assert told[0] == "where: record"
    assert "holds no packs.csv" in told[1]
    assert not (tmp_path / "home").exists()
