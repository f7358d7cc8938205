"""The notebook runs from its first cell to its last, on the invented tables and on a person's own."""

from __future__ import annotations

import os
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from training.files.tables import write_tables
from training.simulation.cohort import CohortPlan, simulate_cohort


def executed(repository: Path, home: Path, report: Path, monkeypatch, own: Path | None = None) -> str:
    """Run the notebook in a kernel of its own; return everything that its cells said."""
    paths = [str(repository), str(repository / "service" / "public")]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(paths))
    monkeypatch.setenv("TIDEOVER_HOME", str(home))
    monkeypatch.setenv("REPORT", str(report))
    monkeypatch.setenv("MPLBACKEND", "agg")
    if own is not None:
        monkeypatch.setenv("OWN_TABLES", str(own))
    folder = repository / "service" / "public"
    notebook = nbformat.read(folder / "own_table.ipynb", as_version=4)
    assert not any(cell.get("outputs") for cell in notebook.cells), "outputs are made when it is run, and not kept"
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(folder)}}).execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    return "\n".join(str(o.get("text") or o.get("data", {}).get("text/plain", "")) for o in outputs)


@pytest.mark.parametrize("tables", ["invented", "own"])
def test_it_runs_from_a_table_to_a_curve_scores_and_a_report(
    repository,
    home,
    tmp_path,
    monkeypatch,
    tables,
):
    if tables == "own":
        write_tables(simulate_cohort(CohortPlan(packs=300, seed=5)).tables, tmp_path / "own")
    own = tmp_path / "own" if tables == "own" else None
    said = executed(repository, home, tmp_path / "report.html", monkeypatch, own)
    assert "log-likelihood of packs held out: -" in said
    assert "one curve for all" in said
    assert "band_low" in said
    if tables == "own":
        assert (tmp_path / "report.html").read_text().startswith("<!doctype html>")
    else:
        assert "No report: fewer than 200 rows" in said, "the fleet of the demonstration is small"
