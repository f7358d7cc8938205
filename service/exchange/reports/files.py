"""Reports in the home: as a page to read or print, and as JSON beside it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from service.core.refusals import NoSuchRecord
from service.core.translation import _
from training.registry.own_files import to_disk, write_synced
from training.report import CalibrationReport, render_html

Form = Literal["json", "html"]


@dataclass(frozen=True)
class Written:
    """A report that was written."""

    name: str
    at: datetime


def write_report(folder: Path, report: CalibrationReport, at: datetime) -> str:
    """Write a report under a name made of its moment and its model; return the name.

    A report of that name is replaced: written again by the same job, it says the same.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    name = f"{at.astimezone(UTC):%Y%m%dT%H%M%SZ}-{report.model['model']}"
    # The JSON comes last: a report without it is not whole, and is not listed.
    _write(folder / f"{name}.html", render_html(report))
    _write(folder / f"{name}.json", report.model_dump_json())
    return name


def list_reports(folder: Path) -> list[Written]:
    """List the reports, the newest first."""
    found = [
        Written(path.stem, datetime.fromtimestamp(path.stat().st_mtime, UTC))
        for path in (folder.glob("*.json") if folder.is_dir() else ())
    ]
    return sorted(found, key=lambda written: written.name, reverse=True)


def read_report(folder: Path, name: str, form: Form) -> str:
    """Return a report as it was written.

    Raises
    ------
    NoSuchRecord
    """
    try:
        return (folder / f"{name}.{form}").read_text(encoding="utf-8")
    except FileNotFoundError:
        raise NoSuchRecord(_("There is no report %(name)s.") % {"name": name}) from None


def _write(path: Path, text: str) -> None:
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        write_synced(beside, text.encode())
        beside.replace(path)
        to_disk(path.parent)
    finally:
        beside.unlink(missing_ok=True)
