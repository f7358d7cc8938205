"""Long work says how far it is, on standard error, without filling a log."""

from __future__ import annotations

import pandas as pd
import pytest

from service.cli.progress import LINES, shown


def test_plain_lines_where_there_is_no_terminal(capsys):
    with shown("Simulating packs") as report:
        for done in range(1, 1001):
            report(done, 1000)
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.splitlines() == [
        "Simulating packs ...",
        *(f"Simulating packs: {done} of 1000" for done in (250, 500, 750, 1000)),
    ]
    assert len(captured.err.splitlines()) == LINES + 1


def test_simulate_writes_a_cohort_and_says_so(tideover, tmp_path):
    ran = tideover("simulate", tmp_path / "cohort", "--packs", "40", "--seed", "3", "--family", "gravel-14")
    assert ran.exit_code == 0, ran.stderr
    assert "Wrote 40 invented packs" in ran.stdout
    assert "Simulating packs: 40 of 40" in ran.stderr
    packs = pd.read_parquet(tmp_path / "cohort" / "packs")
    assert len(packs) == 40
    assert set(packs["family"]) == {"gravel-14"}


@pytest.mark.parametrize(
    ("options", "where"),
    [(["--packs", "0"], "packs"), (["--family", "granite-99"], "family"), (["--days", "5"], "days")],
)
def test_impossible_cohort_is_told_with_status_2(tideover, tmp_path, options, where):
    ran = tideover("simulate", tmp_path / "cohort", *options)
    assert ran.exit_code == 2
    assert f"where: {where}\n" in ran.stderr
    assert "Traceback" not in ran.stderr
