"""The commands of the decisions: the figures of the service's functions, bad input in three lines."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from service.core.refusals import WHATEVER
from service.decisions.fleet.planning import plan_of_fleet, returns_of_fleet
from service.decisions.fleet.ranking import rank_fleet
from service.decisions.fleet.schemas import PlanRequest, RankingRequest, ReturnsRequest
from service.decisions.ordering.answers import orders_of_pack
from service.decisions.ordering.queue import queue_of_cases
from service.decisions.ordering.schemas import OrdersRequest, QueueRequest
from service.decisions.release.answers import release_of_pack
from service.decisions.release.schemas import ReleaseRequest
from service.decisions.stock.answers import stock_of_family
from service.decisions.stock.schemas import StockRequest
from service.records.records import correct, create
from service.records.subjects.all_subjects import ASSIGNMENTS, COSTS, OFFERS, PACKS, SUPPLIERS, VEHICLES
from service.records.versions import Writer
from service.store.schema import Assignment, Offer
from service.store.upgrading import open_store
from tests.service.invented_fleet import FAMILIES, fill
from training.files.families import load_families


@pytest.fixture(scope="module")
def fleet_home(tmp_path_factory):
    """A home with a fleet that was topped up in the last days, by this machine's clock."""
    home = tmp_path_factory.mktemp("fleet")
    store = open_store(home)
    now = datetime.now(UTC)
    fill(store, 18, now)
    with store.writing() as session:
        writer, families = Writer("a test", now), load_families(None)
        create(session, SUPPLIERS, SUPPLIERS.new(**SUPPLIERS.example), families, writer)
        create(session, COSTS, COSTS.new(**COSTS.example), families, writer)
        for family in FAMILIES:
            create(session, OFFERS, OFFERS.new(**{**OFFERS.example, "family": family}), families, writer)
    store.close()
    return home


@pytest.fixture
def run(tideover, fleet_home):
    return lambda *arguments, **options: tideover(*arguments, env={"TIDEOVER_HOME": str(fleet_home)}, **options)


def alike(one, other):
    """Equal but for the seconds between the two answers."""
    if isinstance(one, dict):
        assert one.keys() == other.keys()
        for name in one.keys() - {"as_of"}:
            alike(one[name], other[name])
    elif isinstance(one, list):
        assert len(one) == len(other)
        for mine, theirs in zip(one, other, strict=True):
            alike(mine, theirs)
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-3, abs=1e-3)
    elif not isinstance(one, str) or "." not in one:
        assert one == other


CALLS = [
    (
        ("release", "MB-00004", "--usual-days", "5", "--latest-days", "9"),
        lambda s, now: release_of_pack(
            s, "MB-00004", ReleaseRequest(lead_time={"usual_days": 5, "latest_days": 9}), now, load_families()
        ),
    ),
    (
        ("orders", "MB-00004", "--risk", "0.2"),
        lambda s, now: orders_of_pack(s, "MB-00004", OrdersRequest(risk=0.2), now, load_families()),
    ),
    (
        ("orders", "--stranding", "900"),
        lambda s, now: queue_of_cases(s, QueueRequest(costs={"stranding": 900}), now, load_families()),
    ),
    (
        ("stock", "marl-28", "--on-shelf", "1", "--new-cases-per-day", "0.1"),
        lambda s, now: stock_of_family(
            s, "marl-28", StockRequest(on_shelf=1, new_cases_per_day=0.1), now, load_families()
        ),
    ),
    (("fleet", "ranking", "--limit", "5"), lambda s, now: rank_fleet(s, RankingRequest(limit=5), now, load_families())),
    (
        ("fleet", "plan", "--slots", "1", "--weeks", "3", "--budget", "4000"),
        lambda s, now: plan_of_fleet(s, PlanRequest(slots=(1, 1, 1), budget=4000), now, load_families()),
    ),
    (
        ("fleet", "returns", "--weeks", "4"),
        lambda s, now: returns_of_fleet(s, ReturnsRequest(weeks=4), now, load_families()),
    ),
]


@pytest.mark.parametrize(("words", "function"), CALLS, ids=[" ".join(words[:2]) for words, _ in CALLS])
def test_a_command_gives_the_figures_of_the_function(run, fleet_home, words, function):
    made = run(*words, "--json")
    assert made.exit_code == 0, made.stderr
    store = open_store(fleet_home)
    with store.reading() as session:
        expected = function(session, datetime.now(UTC))
    store.close()
    alike(json.loads(made.stdout), json.loads(expected.model_dump_json()))
    shown = run(*words)
    assert shown.exit_code == 0, shown.stderr
    assert "Cautions" in shown.stdout
    assert "licensed" in shown.stdout
    assert "nan" not in shown.stdout.split()


def test_a_case_file_is_weighed_without_the_store(tideover, van_case, tmp_path):
    from service.decisions.ordering.examples import sent_orders_examples

    content = sent_orders_examples()["ordinary_or_express"]["value"]
    (tmp_path / "case.json").write_text(json.dumps(content))
    told = tideover("orders", "--case", tmp_path / "case.json")
    assert told.exit_code == 0, told.stderr
    assert "North Quay Stores (express)" in told.stdout
    assert "If the forecast is wrong by its band" in told.stdout
    released = tideover("release", "--case", "-", "--in-days", "7", input=json.dumps({"case": content["case"]}))
    assert released.exit_code == 0, released.stderr
    assert "no motorway" in released.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("release",), "It is not clear which pack is meant."),
        (("release", "nobody", "--in-days", "3"), "There is no pack nobody."),
        (("release", "MB-00001", "--promised", "2020-01-01"), "that promise has passed"),
        (("orders", "--risk", "5"), "Give a share of 1, as 0.05 for 5 in 100."),
        (("orders", "MB-00001", "--currency", "XQQ"), "is not a currency"),
        (("stock", "loess-28", "--on-shelf", "1"), "no offer for a pack of the family loess-28"),
        (("fleet", "plan", "--slots", "1", "--budget", "10"), "buys no pack"),
        (("fleet", "age", "marl-28"), "came back; an age takes"),
    ],
)
def test_what_cannot_be_answered_is_told(run, words, said):
    told = run(*words)
    assert told.exit_code == 2
    assert said in told.stderr
    assert "mend:" in told.stderr


def test_packs_that_nobody_offers_are_named_beside_the_queue(tideover, fleet_home, tmp_path):
    """Where no pack could be weighed for want of offers, the question was refused."""
    home = shutil.copytree(fleet_home, tmp_path / "home")
    store = open_store(home)
    with store.writing() as session:
        for offer in session.scalars(select(Offer)):
            offer.valid_until = datetime.now(UTC) - timedelta(hours=1)
    store.close()
    told = tideover("orders", env={"TIDEOVER_HOME": str(home)})
    assert told.exit_code == 0, told.stderr
    said = " ".join(told.stdout.split())
    assert "No open case waits" not in said
    assert "Offers are needed" in said
    assert "no offer for a pack of the family marl-28 that stands today. Enter at least one" in said


def test_a_fleet_that_nobody_scored_is_told_how_to_be(tideover, tmp_path):
    """It said "0 vehicles", as if there were none."""
    store = open_store(tmp_path)
    with store.writing() as session:
        create(session, COSTS, COSTS.new(**COSTS.example), load_families(None), Writer("a test", datetime.now(UTC)))
    store.close()
    home = {"TIDEOVER_HOME": str(tmp_path)}
    told = tideover("fleet", "ranking", env=home)
    assert told.exit_code == 0
    assert "Nothing has been scored here yet: `tideover fleet score`" in told.stdout
    assert "0 vehicles" not in told.stdout
    without = tideover("fleet", "score", env=home)
    assert without.exit_code == 1
    assert "There is no model yet" in without.stderr


def test_scoring_from_the_command_line_fills_the_ranking(tideover, home, tmp_path):
    mine = tmp_path / "home"
    shutil.copytree(home, mine)
    env = {"TIDEOVER_HOME": str(mine)}
    assert tideover("import", "data/synthetic", "--no-forecasts", env=env).exit_code == 0
    scored = tideover("fleet", "score", "--json", env=env)
    assert scored.exit_code == 0, scored.stderr
    assert json.loads(scored.stdout)["forecasts"] > 0


def test_a_vehicle_stands_for_the_pack_in_it(run, fleet_home):
    """The command line knew the numbers of packs alone; a buyer knows that of the car."""
    store = open_store(fleet_home)
    now = datetime.now(UTC)
    writer, families = Writer("a test", now), load_families(None)
    with store.writing() as session:
        create(session, VEHICLES, VEHICLES.new(id="MB-CAB-90"), families, writer)
        create(session, PACKS, PACKS.new(id="MB-00005-new", family="gravel-14"), families, writer)
        (sits,) = session.scalars(select(Assignment).where(Assignment.pack_id == "MB-00004"))
        change = ASSIGNMENTS.change(until=now - timedelta(hours=2))
        correct(session, ASSIGNMENTS, sits.id, change, families, writer, None)
        for pack, vehicle in (("MB-00004", "MB-CAB-90"), ("MB-00005-new", "MB-00004")):
            since = now - timedelta(hours=1)
            new = ASSIGNMENTS.new(pack_id=pack, vehicle_id=vehicle, since=since)
            create(session, ASSIGNMENTS, new, families, replace(writer, sure=WHATEVER))
    store.close()
    by_vehicle = run("orders", "MB-CAB-90", "--json")
    assert by_vehicle.exit_code == 0, by_vehicle.stderr
    assert json.loads(by_vehicle.stdout)["pack_id"] == "MB-00004"
    assert "In vehicle MB-CAB-90 sits pack MB-00004: that one is taken." in by_vehicle.stderr
    own = run("orders", "MB-00004", "--json")
    assert json.loads(own.stdout)["pack_id"] == "MB-00004"
    assert "In vehicle MB-00004 sits pack MB-00005-new now." in own.stderr
    assert run("orders", "MB-00006", "--json").stderr == ""
    released = run("release", "MB-CAB-90", "--in-days", "3", "--json")
    assert json.loads(released.stdout)["pack_id"] == "MB-00004"
    nobody = run("orders", "MB-CAB-91")
    assert nobody.exit_code == 2
    assert "There is no pack MB-CAB-91." in nobody.stderr


def test_another_pack_is_fitted_from_the_command_line(run):
    asked = ("fit", "MB-00007", "MB-P-0815", "--family", "gravel-14", "--age-years", "0", "--odometer-km", "211480")
    doubtful = run(*asked)
    assert doubtful.exit_code == 2
    assert "the pack before it in MB-00007 was of flint-40" in " ".join(doubtful.stderr.split())
    fitted = run(*asked, "--sure", doubtful.stderr.rsplit("--sure ", 1)[1].split(".")[0])
    assert fitted.exit_code == 0, fitted.stderr
    assert "Pack MB-00007 came out of MB-00007 at" in fitted.stdout
    assert "Pack MB-P-0815 sits in MB-00007 from" in fitted.stdout
    assert "Cautions" in fitted.stdout
    again = run("fit", "MB-00007", "MB-P-0815", "--json")
    assert again.exit_code == 2
    assert "sits in MB-00007 already" in again.stderr
    assert run("orders", "MB-00007").exit_code == 2, "its case is closed"
