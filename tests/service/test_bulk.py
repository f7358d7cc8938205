"""Forecasts of a folder of packs: the same numbers as one by one, nothing lost, and a run that was cut off goes on."""

from __future__ import annotations

import json
import shutil
import signal
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from pydantic import ValidationError

from models.base.day_grid import DAYS, GRID_VERSION
from models.base.errors import BadInput, TideoverError
from models.packs.tables import histories_of
from service.core import scheduler
from service.forecasting.bulk import scoring
from service.forecasting.bulk.reading import FolderReader
from service.forecasting.bulk.scoring import score_folder
from service.forecasting.forecasts.answers import answer
from service.forecasting.forecasts.schemas import ForecastCase
from tests.service.running import running_dask
from training.files.families import load_families
from training.files.tables import write_tables

FAMILIES = load_families()


@pytest.fixture(scope="module")
def forecaster(small_trained):
    return small_trained.forecaster


@pytest.fixture(scope="module")
def folder(small_cohort, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("tables")
    write_tables(
        small_cohort.tables.of_packs(small_cohort.tables.packs["pack_id"].iloc[:400]), folder, suffix="parquet"
    )
    return folder


def rows(folder: Path) -> pd.DataFrame:
    return pd.concat([pd.read_parquet(p) for p in sorted(folder.glob("*.parquet"))], ignore_index=True)


def same(one: Path, other: Path) -> None:
    for kind in ("scored", "refused"):
        files = sorted(p.name for p in (one / kind).iterdir())
        assert files == sorted(p.name for p in (other / kind).iterdir())
        for name in files:
            assert pq.read_table(one / kind / name).equals(pq.read_table(other / kind / name), check_metadata=True)


def test_every_pack_is_forecast_as_a_single_one_or_refused_as_one(forecaster, folder, tmp_path):
    came = score_folder(forecaster, folder, tmp_path / "out", FAMILIES)
    scored, refused = rows(tmp_path / "out/scored").set_index("pack_id"), rows(tmp_path / "out/refused")
    assert came.forecasts == len(scored)
    assert came.refused == len(refused) > 20
    why = dict(zip(refused["pack_id"], refused["reason"], strict=True))
    tables, said = FolderReader(folder, FAMILIES).chunk(0, 1000), {}
    assert set(scored.index) | set(why) == set(tables.packs["pack_id"])
    for pack_id, history in zip(tables.packs["pack_id"], histories_of(tables), strict=True):
        if isinstance(history, ValidationError):
            assert pack_id in why
            continue
        case = ForecastCase(history=history)
        try:
            told = answer(case, forecaster, FAMILIES, threads=1)
            # A file says itself of when it speaks.
            told = answer(case.model_copy(update={"at": told.origin}), forecaster, FAMILIES, threads=1)
        except TideoverError as error:
            said[pack_id] = str(error).removeprefix("history.")
            continue
        row = scored.loc[pack_id]
        for name in ("survival", "band_low", "band_high"):
            np.testing.assert_allclose(row[name], getattr(told, name), rtol=0, atol=1e-9)
        for promise in told.good_for:
            mine = row[f"good_for_{100 * promise.confidence:.0f}_days"]
            assert np.isnan(mine) if promise.days is None else mine == pytest.approx(promise.days, abs=1e-9)
        for back in told.return_days:
            mine = row[f"back_{100 * back.returned:.0f}_by_day"]
            assert np.isnan(mine) if back.day is None else mine == pytest.approx(back.day, abs=1e-9)
        mean = row["restricted_mean_days"]
        assert np.isnan(mean) if told.withheld_by else mean == pytest.approx(told.restricted_mean_days, abs=1e-9)
        assert list(row["withheld_by"]) == told.withheld_by
        assert row["origin"] == told.origin
        assert [row[f"kind_{k}"] for k in told.kinds] == pytest.approx(list(told.kinds.values()), abs=1e-9)
        assert list(row["flags"]) == [f.code for f in told.flags]
        assert np.isnan(row["week_return"]) == np.isnan(row["week_wait_days"]) == bool(told.withheld_by)
    assert said == {pack_id: why[pack_id] for pack_id in said}


def test_a_pack_of_a_family_that_nobody_knows_is_refused_and_stops_no_other(forecaster, folder, tmp_path):
    unknown = tmp_path / "in"
    write_tables(FolderReader(folder, FAMILIES).chunk(0, 100), unknown, suffix="parquet")
    packs = pd.read_parquet(unknown / "packs.parquet")
    strange = packs["pack_id"].iloc[3]
    packs.loc[packs["pack_id"] == strange, "family"] = "nobody-knows"
    packs.to_parquet(unknown / "packs.parquet", index=False)
    came = score_folder(forecaster, unknown, tmp_path / "out", FAMILIES)
    why = rows(tmp_path / "out/refused").set_index("pack_id")["reason"]
    assert "not a known family" in why[strange]
    assert came.forecasts + came.refused == 100
    assert came.forecasts > 3


def test_the_file_says_what_it_holds(forecaster, folder, tmp_path):
    score_folder(forecaster, folder, tmp_path / "out", FAMILIES)
    told = pq.read_schema(tmp_path / "out/scored/part-00000.parquet").metadata
    assert told[b"tideover.model_id"].decode() == forecaster.model_id
    assert told[b"tideover.grid_version"].decode() == GRID_VERSION
    assert json.loads(told[b"tideover.days"]) == DAYS.tolist()
    assert b"not permission" in told[b"tideover.caution"]


def test_how_rows_are_cut_or_lie_changes_nothing(forecaster, folder, tmp_path, monkeypatch):
    score_folder(forecaster, folder, tmp_path / "whole", FAMILIES)
    mixed = tmp_path / "mixed"
    for path in folder.glob("*.parquet"):
        (mixed / path.stem).mkdir(parents=True)
        frame = pd.read_parquet(path).sample(frac=1.0, random_state=3)
        frame = frame.sort_values("pack_id") if path.stem == "packs" else frame
        third = -(-len(frame) // 3)
        for part in range(3):
            some = frame.iloc[part::3] if path.stem != "packs" else frame.iloc[part * third : (part + 1) * third]
            target = mixed / path.stem / f"part-{part:05d}.parquet"
            pq.write_table(pa.Table.from_pandas(some, preserve_index=False), target, row_group_size=150)
    monkeypatch.setattr(scoring, "CHUNK_PACKS", 90)
    score_folder(forecaster, mixed, tmp_path / "cut", FAMILIES)
    one, other = (rows(tmp_path / n / "scored").set_index("pack_id").sort_index() for n in ("whole", "cut"))
    assert list(one.index) == list(other.index)
    np.testing.assert_allclose(np.stack(one["survival"]), np.stack(other["survival"]), rtol=0, atol=1e-12)


def test_a_run_that_was_cut_off_goes_on_and_other_work_is_refused(forecaster, folder, tmp_path, monkeypatch):
    monkeypatch.setattr(scoring, "CHUNK_PACKS", 50)
    score_folder(forecaster, folder, tmp_path / "straight", FAMILIES)
    written = []
    kept = scoring._write

    def dies(table: pa.Table, path: Path) -> None:
        if len(written) == 7:
            raise KeyboardInterrupt
        written.append(path)
        kept(table, path)

    monkeypatch.setattr(scoring, "_write", dies)
    with pytest.raises(KeyboardInterrupt):
        score_folder(forecaster, folder, tmp_path / "cut", FAMILIES)
    monkeypatch.setattr(scoring, "_write", kept)
    before = {p: p.stat().st_mtime_ns for p in (tmp_path / "cut/scored").iterdir()}
    told = []
    score_folder(forecaster, folder, tmp_path / "cut", FAMILIES, progress=lambda done, all_: told.append((done, all_)))
    same(tmp_path / "straight", tmp_path / "cut")
    assert before
    assert all(p.stat().st_mtime_ns == at for p, at in before.items())
    assert told[-1] == (400, 400)
    with pytest.raises(BadInput, match="another moment"):
        score_folder(forecaster, folder, tmp_path / "cut", FAMILIES, at=datetime(2024, 1, 1, tzinfo=UTC))
    (tmp_path / "full").mkdir()
    (tmp_path / "full/letter.txt").write_text("not ours")
    with pytest.raises(BadInput, match="is not empty"):
        score_folder(forecaster, folder, tmp_path / "full", FAMILIES)


def test_rows_of_no_pack_and_packs_twice_are_told(forecaster, folder, tmp_path):
    source = tmp_path / "in"
    source.mkdir()
    for path in folder.glob("*.parquet"):
        frame = pd.read_parquet(path)
        if path.stem == "packs":
            frame = pd.concat([frame.iloc[:50], frame.iloc[3:4]])
        frame.to_parquet(source / path.name, index=False)
    first = pd.read_parquet(source / "packs.parquet")["pack_id"]
    score_folder(forecaster, source, tmp_path / "out", FAMILIES)
    why = rows(tmp_path / "out/refused").set_index("pack_id")["reason"]
    assert "appears twice" in why[first.iloc[3]]
    assert why.str.contains("not in packs").sum() == 350
    assert len(set(rows(tmp_path / "out/scored")["pack_id"]) | set(why.index)) == 400


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda f: (f / "topups.parquet").unlink(), "holds no topups.parquet"),
        (lambda f: pd.DataFrame({"pack_id": ["a"], "family": [3]}).to_parquet(f / "packs.parquet"), "is of type int64"),
        (lambda f: pd.DataFrame({"pack_id": ["a"]}).to_parquet(f / "packs.parquet"), "lacks the column family"),
        (lambda f: (f / "usage.parquet").write_text("no table"), "Check that the file is whole"),
    ],
)
def test_a_folder_of_another_shape_is_refused(forecaster, folder, tmp_path, change, told):
    source = tmp_path / "in"
    source.mkdir()
    for path in folder.glob("*.parquet"):
        (source / path.name).write_bytes(path.read_bytes())
    change(source)
    with pytest.raises(BadInput, match=told):
        score_folder(forecaster, source, tmp_path / "out", FAMILIES)


@pytest.mark.parametrize("name", ["outcomes.csv", "OUTCOMES.parquet.gz", "outcomes"])
def test_a_table_in_another_form_is_refused_and_not_left_out(tideover, folder, tmp_path, name):
    """Outcomes beside it as CSV were passed over: packs whose fault is back were forecast as if they held."""
    source = tmp_path / "in"
    shutil.copytree(folder, source)
    (source / "outcomes.parquet").unlink()
    if "." in name:
        (source / name).write_text("pack_id\n")
    else:
        (source / name).mkdir()
    ran = tideover("score", "--in", str(source), "--out", str(tmp_path / "out"))
    assert ran.exit_code == 2, ran.output
    assert "but not as Parquet, so nothing of it would be read" in " ".join(ran.output.split())
    assert not (tmp_path / "out" / "scored").exists()


def test_the_command_says_what_came_and_keeps_its_cautions(tideover, folder, tmp_path):
    ran = tideover("score", "--in", str(folder), "--out", str(tmp_path / "out"), "--workers", "2")
    assert ran.exit_code == 0, ran.output
    assert f"holds {len(rows(tmp_path / 'out/scored'))} forecasts." in ran.stdout.replace("\n", " ")
    assert "not permission" in ran.stdout.replace("\n", " ")
    wrong = tideover("score", "--in", str(folder), "--out", str(tmp_path / "o2"), "--at", "yesterday")
    assert wrong.exit_code == 2
    away = tideover("score", "--in", str(tmp_path / "nowhere"), "--out", str(tmp_path / "o3"))
    assert away.exit_code == 2


def test_a_dask_worker_that_is_killed_loses_nothing(forecaster, folder, tmp_path, monkeypatch):
    monkeypatch.setattr(scoring, "CHUNK_PACKS", 20)
    score_folder(forecaster, folder, tmp_path / "here", FAMILIES)
    # The chunks are small here, in the workers too.
    small = tmp_path / "small.py"
    small.write_text("import service.forecasting.bulk.scoring as s; s.CHUNK_PACKS = 20\n")
    killed = []
    with running_dask(2, "--preload", str(small)) as (address, workers):

        def kill_one(done: int, packs: int) -> None:
            if not killed and 0 < done < packs:
                killed.append(workers[0].pid)
                workers[0].send_signal(signal.SIGKILL)

        score_folder(forecaster, folder, tmp_path / "far", FAMILIES, workers=2, scheduler=address, progress=kill_one)
    assert killed
    same(tmp_path / "here", tmp_path / "far")


def test_a_scheduler_that_is_not_there_is_named(forecaster, folder, tmp_path, monkeypatch):
    monkeypatch.setattr(scheduler, "CONNECT_SECONDS", 1)
    with pytest.raises(BadInput, match="does not answer"):
        score_folder(forecaster, folder, tmp_path / "out", FAMILIES, scheduler="tcp://127.0.0.1:9")
