"""Learning from the store's record: the same from a job, a folder and the store; promotion only by comparison."""

from __future__ import annotations

import shutil

import pytest

from models.forecaster import Forecaster
from service.core.logs import make_log
from service.exchange.imports.loading import import_files
from service.forecasting.model.learning import learn_from_record
from service.jobs.worker import Worker
from service.records.history import tables_of, without_family
from service.records.versions import Writer
from tests.service.store.api.conftest import Clock
from tests.service.store.backends import ON_POSTGRESQL, ON_SQLITE
from training.files.families import load_families
from training.files.tables import read_tables, write_tables
from training.registry import ModelRegistry
from training.simulation.cohort import CohortPlan, simulate_cohort

FAMILIES = load_families(None)
PACKS = 20


@pytest.fixture(scope="module")
def record_folder(tmp_path_factory):
    """A year at a workshop, as documented tables. Invented."""
    folder = tmp_path_factory.mktemp("record")
    write_tables(simulate_cohort(CohortPlan(PACKS, 62, years=1)).tables, folder)
    return folder


@pytest.fixture
def own_home(home, tmp_path):
    shutil.copytree(home / "models", tmp_path / "models")
    return tmp_path


@pytest.fixture(scope="module")
def taught_by_folder(home, record_folder, tmp_path_factory):
    """The model that the folder of tables gives at the clock's first moment, how it compares, and which answers."""
    folder = tmp_path_factory.mktemp("taught") / "models"
    shutil.copytree(home / "models", folder)
    registry = ModelRegistry(folder)
    made, judgement = learn_from_record(registry, read_tables(record_folder, FAMILIES), at=Clock()(), seed=1)
    return made, judgement, registry.current_id()


@pytest.fixture
def worker(api, store, clock, settings, own_home):
    own = settings.model_copy(update={"home": own_home})
    return Worker(store, own, FAMILIES, clock, make_log("error"))


@ON_SQLITE
def test_a_job_learns_what_a_folder_of_tables_teaches(
    api, worker, store, clock, own_home, record_folder, taught_by_folder
):
    """Parity: the same record, read from the store or from files, at the same moment, gives the same model."""
    assert import_files(store, record_folder, FAMILIES, Writer("test", clock())).stored
    registry = ModelRegistry(own_home / "models")
    before = registry.current_id()
    at = api.post("/v1/jobs/training", json={"seed": 1}).headers["Location"]
    worker.run(once=True)
    job = api.get(at).json()
    assert job["state"] == "done", job["problems"]
    made, judgement, answers = taught_by_folder
    assert job["result"]["model_id"] == made.model_id
    assert job["result"]["verdict"] == judgement.verdict
    assert registry.manifest(made.model_id).facts == made.facts
    assert made.facts["base_model"] == before
    # It answers unless the comparison shows it to be worse.
    promoted = judgement.verdict != "worse"
    assert job["result"]["answers"] == promoted
    assert registry.current_id() == (made.model_id if promoted else before) == answers


@ON_POSTGRESQL
def test_the_store_and_a_folder_teach_the_same_on_the_command_line(
    store, clock, own_home, record_folder, tideover, database
):
    """Parity: a model is named by what it is, and both records make the same one."""
    import_files(store, record_folder, FAMILIES, Writer("test", clock()))
    store.close()
    env = {"TIDEOVER_HOME": str(own_home), "TIDEOVER_DATABASE": database}
    registry = ModelRegistry(own_home / "models")
    known = set(registry.names())
    for asked in (["--from-store"], ["--from", record_folder]):
        ran = tideover("train", *asked, "--workers", "1", env=env)
        assert ran.exit_code == 0, ran.stderr
        (made,) = set(registry.names()) - known
        assert made in ran.stdout
    assert registry.manifest(made).facts["packs"] == PACKS
    both = tideover("train", "--from-store", "--from", record_folder, env=env)
    assert both.exit_code == 2
    assert "not both" in both.stderr


@ON_SQLITE
def test_without_a_return_nothing_is_learned_and_a_sentence_says_so(api, worker, own_home):
    registry = ModelRegistry(own_home / "models")
    before = registry.names()
    api.post("/v1/packs", json={"id": "MB-VAN-07", "family": "gravel-14"})
    at = api.post("/v1/jobs/training", json={}).headers["Location"]
    worker.run(once=True)
    result = api.get(at).json()["result"]
    assert result["answers"]
    assert result["verdict"] is None
    assert "nothing to learn" in result["sentences"][0]
    assert registry.names() == before


@ON_SQLITE
def test_few_returns_are_learned_from_and_told_to_be_few(filled, worker, own_home):
    """The one return of the worked examples: learned, and answering; its report stands on the old one's."""
    registry = ModelRegistry(own_home / "models")
    before = registry.current_id()
    at = filled.post("/v1/jobs/training", json={}).headers["Location"]
    worker.run(once=True)
    job = filled.get(at).json()
    assert job["state"] == "done", job["problems"]
    result = job["result"]
    assert (result["answers"], result["verdict"]) == (True, "open")
    assert "1 with a return" in " ".join(result["sentences"])
    assert registry.current_id() == result["model_id"] != before
    report = registry.load(result["model_id"], Forecaster).report
    assert report["origin_sentence"].startswith("The record is too small yet")


@ON_SQLITE
def test_a_broken_model_fails_the_job_with_where_to_look(filled, worker, own_home):
    for folder in (own_home / "models").iterdir():
        if folder.is_dir():
            (folder / "manifest.json").unlink()
    at = filled.post("/v1/jobs/training", json={}).headers["Location"]
    worker.run(once=True)
    job = filled.get(at).json()
    assert job["state"] == "failed"
    assert "manifest.json" in job["problems"][0]["what"]


def test_one_query_of_many_packs_tells_each_of_them_as_alone(store, record_folder, clock):
    import_files(store, record_folder, FAMILIES, Writer("test", clock()))
    with store.reading() as session:
        whole = tables_of(session, FAMILIES)
        some = tables_of(session, FAMILIES, [str(whole.packs["pack_id"][3])])
    assert len(whole.packs) == PACKS
    pack = str(some.packs["pack_id"][0])
    for name, frame in some.frames().items():
        wide = whole.frames()[name]
        expected = wide[wide["pack_id"] == pack][frame.columns].reset_index(drop=True)
        assert frame.equals(expected), name


@ON_SQLITE
def test_without_a_model_one_is_trained_first_and_too_few_packs_are_told(api, store, clock, settings, tmp_path):
    at = api.post("/v1/jobs/training", json={"packs": 100}).headers["Location"]
    own = settings.model_copy(update={"home": tmp_path})
    Worker(store, own, FAMILIES, clock, make_log("error")).run(once=True)
    job = api.get(at).json()
    assert job["state"] == "failed"
    assert job["problems"][0]["what"].startswith("It cannot be judged: fewer than 200 rows")
    assert ModelRegistry(tmp_path / "models").names() == []


def test_packs_of_a_family_that_is_gone_are_left_out_and_named(filled, store):
    """Learning from the store ended on a KeyError once the file of one family was gone, and nothing said why."""
    left = {name: family for name, family in FAMILIES.items() if name != "gravel-14"}
    with store.reading() as session:
        assert without_family(session, FAMILIES) is None
        assert "MB-VAN-07" in set(tables_of(session, FAMILIES).packs["pack_id"])
        assert "gravel-14" not in set(tables_of(session, left).packs["family"])
        assert "not known here: gravel-14 (1, MB-VAN-07 among them)" in str(without_family(session, left))
