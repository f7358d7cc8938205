"""Tables to files and back, and how a wrong field is named."""

import numpy as np
import pandas as pd
import pytest

from models.base.errors import BadInput
from models.packs.tables import block_columns, history_of
from training.files.families import load_families
from training.files.tables import read_tables, write_tables
from training.simulation.cohort import CohortPlan, simulate_cohort, write_cohort

FAMILIES = load_families()


@pytest.fixture(scope="module")
def tables():
    return simulate_cohort(CohortPlan(packs=60, seed=61, days=60)).tables


@pytest.fixture
def folder(tables, tmp_path):
    write_tables(tables, tmp_path)
    return tmp_path


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_parity_tables_to_files_and_back(tables, tmp_path, suffix):
    write_tables(tables, tmp_path, suffix=suffix)
    back = read_tables(tmp_path, FAMILIES)
    for name, frame in tables.frames().items():
        # CSV holds voltages to a tenth of a millivolt, Parquet as they are.
        pd.testing.assert_frame_equal(
            back.frames()[name], frame, check_dtype=suffix == "parquet", rtol=0, atol=6e-5 if suffix == "csv" else 0
        )
    for pack_id in tables.packs["pack_id"].head(10):
        assert history_of(back, pack_id) == history_of(tables, pack_id)


def test_parity_partitions_of_a_cohort_are_read_as_its_tables(tmp_path):
    plan = CohortPlan(packs=120, seed=62, days=40)
    write_cohort(tmp_path, plan, cells_per_part=2)
    back, inside = read_tables(tmp_path, FAMILIES), simulate_cohort(plan).tables
    for name, frame in inside.frames().items():
        pd.testing.assert_frame_equal(back.frames()[name][frame.columns], frame, check_dtype=False)


def test_property_the_same_tables_give_the_same_bytes_and_reading_and_writing_changes_nothing(
    tables, folder, tmp_path_factory
):
    again = tmp_path_factory.mktemp("again")
    write_tables(read_tables(folder, FAMILIES), again)
    for path in folder.glob("*.csv"):
        assert (again / path.name).read_bytes() == path.read_bytes()


def _edit(folder, name, row, column, value):
    """Change one field of a CSV file; row 2 is the first below the header, as a spreadsheet counts."""
    path = folder / f"{name}.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    header = lines[0].split(",")
    fields = lines[row - 1].split(",")
    fields[header.index(column)] = value
    lines[row - 1] = ",".join(fields)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _where(folder):
    with pytest.raises(BadInput) as error:
        read_tables(folder, FAMILIES)
    (problem,) = error.value.problems
    assert problem.what.endswith(".")
    assert problem.mend.endswith(".")
    return problem.where


@pytest.mark.parametrize(
    ("name", "column", "value"),
    [
        ("readings", "time", "2026-03-02 08:30"),
        ("readings", "time", "last Tuesday"),
        ("readings", "time", ""),
        ("readings", "state", "idle"),
        ("readings", "current_a", '"12,5 A"'),
        ("readings", "current_a", "5000"),
        ("readings", "temperature_c", "inf"),
        ("readings", "block_2_v", "15400"),
        ("readings", "pack_id", "nobody"),
        ("topups", "blocks", "0"),
        ("topups", "blocks", "3;4"),
        ("topups", "blocks", "99"),
        ("topups", "charge_ah", "-1"),
        ("topups", "charge_ah", "0"),
        ("usage", "parked_days_in_30", "31"),
        ("outcomes", "kind", "sold"),
        ("outcomes", "time", ""),
        ("packs", "family", "granite-3"),
        ("packs", "age_years", "-2"),
        ("packs", "pack_id", ""),
    ],
)
def test_property_a_wrong_field_is_named_by_file_row_and_column(folder, name, column, value):
    _edit(folder, name, 5, column, value)
    assert _where(folder) == f"{name}.csv row 5 column {column}"


def test_property_the_row_is_that_of_the_file_also_where_its_rows_are_in_no_order(folder):
    path = folder / "readings.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    mixed = [lines[0], *np.random.default_rng(0).permutation(lines[1:])]
    path.write_text("\n".join(mixed) + "\n", encoding="utf-8")
    straight = read_tables(folder, FAMILIES)
    assert straight.readings["pack_id"].is_monotonic_increasing
    _edit(folder, "readings", 33, "pack_id", "nobody")
    assert _where(folder) == "readings.csv row 33 column pack_id"


def test_property_a_voltage_beyond_the_blocks_of_the_family_is_named(folder, tables):
    # marl-28 has 14 blocks; the table is as wide as its widest pack.
    marl = tables.packs.loc[tables.packs["family"] == "marl-28", "pack_id"].iloc[0]
    row = int(np.flatnonzero(tables.readings["pack_id"] == marl)[0]) + 2
    _edit(folder, "readings", row, "block_15_v", "15.2")
    assert _where(folder) == f"readings.csv row {row} column block_15_v"


def test_property_missing_files_columns_and_twofold_tables_are_named(folder, tables):
    pd.read_csv(folder / "topups.csv").drop(columns="blocks").to_csv(folder / "topups.csv", index=False)
    with pytest.raises(BadInput, match="lacks the column blocks"):
        read_tables(folder, FAMILIES)
    (folder / "topups.csv").unlink()
    with pytest.raises(BadInput, match=r"topups\.csv"):
        read_tables(folder, FAMILIES)
    tables.topups.to_parquet(folder / "topups.parquet")
    tables.topups.assign(colour="red").to_csv(folder / "topups.csv")
    with pytest.raises(BadInput, match="more than once"):
        read_tables(folder, FAMILIES)


def test_property_unreadable_files_are_named(folder):
    (folder / "readings.csv").write_bytes(b"\xff\xfe\x00")
    assert _where(folder) == "readings.csv"
    (folder / "readings.csv").unlink()
    (folder / "readings.parquet").write_bytes(b"not parquet")
    assert _where(folder) == "readings.parquet"


@pytest.mark.parametrize(
    ("column", "values", "where"),
    [
        ("time", lambda f: f["time"].dt.tz_localize(None), "readings.parquet column time"),
        ("current_a", lambda f: f["current_a"].astype(str), "readings.parquet column current_a"),
        ("state", lambda f: np.arange(len(f)), "readings.parquet row 2 column state"),
    ],
)
def test_property_parquet_columns_of_the_wrong_type_are_named(folder, tables, column, values, where):
    (folder / "readings.csv").unlink()
    tables.readings.assign(**{column: values(tables.readings)}).to_parquet(folder / "readings.parquet", index=False)
    assert _where(folder) == where


def test_property_usage_and_outcomes_may_be_absent_and_a_pack_appears_once(folder, tables):
    for name in ("usage", "outcomes"):
        (folder / f"{name}.csv").unlink()
    bare = read_tables(folder, FAMILIES)
    assert len(bare.usage) == len(bare.outcomes) == 0
    assert history_of(bare, tables.packs["pack_id"].iloc[0]).outcomes == ()
    path = folder / "packs.csv"
    path.write_text(path.read_text() + path.read_text().splitlines()[1] + "\n")
    assert _where(folder) == f"packs.csv row {len(tables.packs) + 2} column pack_id"


def test_property_blocks_that_nobody_read_become_empty_columns(tables, tmp_path):
    marl = tables.of_packs(tables.packs.loc[tables.packs["family"] == "marl-28", "pack_id"])
    write_tables(marl, tmp_path)
    path = tmp_path / "readings.csv"
    pd.read_csv(path, dtype=str).drop(columns=block_columns(marl.readings)[10:]).to_csv(path, index=False)
    back = read_tables(tmp_path, FAMILIES)
    assert len(block_columns(back.readings)) == 14
    assert history_of(back, back.packs["pack_id"].iloc[0]).readings[0].block_v[10:] == (None,) * 4


@pytest.mark.parametrize(("sign", "words"), [(";", "semicolons"), ("\t", "tabs")])
def test_a_table_separated_otherwise_is_told_so(folder, sign, words):
    """A file that has the column was said to lack it: its first row was read as one heading."""
    path = folder / "packs.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",", sign), encoding="utf-8")
    with pytest.raises(BadInput, match=f"Its columns are separated by {words}"):
        read_tables(folder, FAMILIES)
