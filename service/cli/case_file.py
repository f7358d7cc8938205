"""The case that the command line forecasts: from a case file, or from a folder of tables."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from models.base.errors import BadInput, problems_from
from service.cli.surroundings import registry_here, settings_here
from training.files.families import load_families

if TYPE_CHECKING:
    from pydantic import BaseModel

    from models.packs.family import PackFamily
    from service.forecasting.forecasts.cases import OfPack
    from service.forecasting.forecasts.schemas import PackCase

Given = TypeVar("Given")

CaseFile = Annotated[
    Path | None, typer.Argument(help="Case file (JSON, as for the REST route), or - for standard input.")
]
Data = Annotated[Path | None, typer.Option(help="Folder of tables, instead of a case file.")]
PackName = Annotated[str | None, typer.Option(help="Which pack of the tables.")]
At = Annotated[str | None, typer.Option(help="Moment of the question, as 2026-03-02T08:30:00+00:00.")]
KmPerDay = Annotated[float | None, typer.Option(help="How far it will be driven a day.")]


def _each_name_once(where: str, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Make an object of its names and values; of a name that stands twice nobody knows which is meant."""
    names = Counter(name for name, _ in pairs)
    twice = [name for name, times in names.items() if times > 1]
    if twice:
        raise BadInput.one(f"{where}: {twice[0]}", "stands twice in one object.", "Keep the one that is meant.")
    return dict(pairs)


def read_case(path: Path) -> dict[str, Any]:
    """Read a case file, or standard input for ``-``.

    Raises
    ------
    BadInput
        The file is missing, is no JSON object, or names something twice.
    """
    try:
        text = sys.stdin.buffer.read() if str(path) == "-" else path.read_bytes()
        content = json.loads(text, object_pairs_hook=partial(_each_name_once, str(path)))
    except OSError as error:
        raise BadInput.one(
            str(path), f"It cannot be read: {error.strerror}.", "Check the path of the case file."
        ) from None
    except UnicodeDecodeError:
        raise BadInput.one(str(path), "It is not UTF-8 text.", "Save the case file as JSON in UTF-8.") from None
    except json.JSONDecodeError as error:
        raise BadInput.one(
            f"{path} line {error.lineno} column {error.colno}", f"This is not JSON: {error.msg}.", "Send valid JSON."
        ) from None
    if not isinstance(content, dict):
        raise BadInput.one(str(path), "It holds no JSON object.", 'Write a case as {"history": {...}}.')
    return content


def asked_of(command: str, case: Path | None, data: Path | None, pack: str | None) -> dict[str, Any]:
    """Read the case that a command is about: from a case file, or one pack of a folder of tables.

    Raises
    ------
    BadInput
        Neither is given, or both are, or what is given is wrong.
    """
    if data is not None and pack is not None and case is None:
        return case_from_tables(data, pack, load_families(settings_here().own_families_dir))
    if case is not None and data is None and pack is None:
        return read_case(case)
    raise BadInput.one(command, "It is not clear which pack is meant.", "Give a case file, or --data with --pack.")


def for_question(kind: type[BaseModel], content: dict[str, Any]) -> dict[str, Any]:
    """Leave out of a case what only other questions ask, and say so on standard error: one case file serves all.

    Parameters
    ----------
    kind : type
        The case of this question.
    """
    from service.forecasting.forecasts.schemas import ForecastCase
    from service.forecasting.recheck.schemas import RecheckCase
    from service.forecasting.topup_plan.schemas import TopUpPlanCase
    from service.forecasting.what_if.schemas import WhatIfCase

    every = {name for case in (ForecastCase, RecheckCase, TopUpPlanCase, WhatIfCase) for name in case.model_fields}
    unused = [name for name in content if name in every - set(kind.model_fields)]
    if unused:
        typer.echo(f"Not used here: {', '.join(unused)}.", err=True)
    return {name: value for name, value in content.items() if name not in unused}


def case_from_tables(folder: Path, pack_id: str, families: Mapping[str, PackFamily]) -> dict[str, Any]:
    """Read one pack's history from a folder of tables.

    Raises
    ------
    BadInput
        The tables are wrong, or the pack is not in them.
    """
    from pydantic import ValidationError

    from models.packs.tables import history_of
    from training.files.tables import read_tables

    tables = read_tables(folder, families)
    try:
        history = history_of(tables, pack_id)
    except KeyError:
        near = get_close_matches(pack_id, tables.packs["pack_id"].astype(str), n=3)
        known = ", ".join(tables.packs["pack_id"].head(5))
        mend = f"Did you mean {' or '.join(near)}?" if near else f"The first ones are {known}."
        raise BadInput.one("--pack", f"There is no pack {pack_id!r} in {folder}.", mend) from None
    except ValidationError as error:
        raise BadInput(problems_from(error, ("history",))) from error
    return {"history": history.model_dump(mode="json")}


def case_asked(
    kind: type[OfPack], content: dict[str, Any], usage: Mapping[str, float | None] | None = None, **options: Any
) -> OfPack:
    """Check a case after options of the command line took the place of its fields.

    Parameters
    ----------
    kind : type
        The case of this question.
    content : dict
        As read from JSON.
    usage : mapping of str to float or None, optional
        Fields of the usage plan; None where the option was not given.
    **options
        Other fields of the case; None where the option was not given.
    """
    from service.forecasting.forecasts.cases import checked_case

    given = {name: value for name, value in options.items() if value is not None}
    plan = {name: value for name, value in (usage or {}).items() if value is not None}
    before = content.get("usage") or {}
    if plan and isinstance(before, Mapping):
        given["usage"] = {**before, **plan}
    return checked_case(kind, {**for_question(kind, content), **given})


def answered_here(answer: Callable[..., Given], asked: Any, case: PackCase | None = None, **conditions: Any) -> Given:
    """Answer a question that carries a case, or is one, by the model of this machine. Facts that stop need none.

    Parameters
    ----------
    **conditions
        Of `service.forecasting.forecasts.cases.require_unstopped`.
    """
    from models.forecaster import Forecaster
    from service.forecasting.forecasts.cases import require_unstopped

    settings = settings_here()
    families = load_families(settings.own_families_dir)
    require_unstopped(asked if case is None else case, families, **conditions)
    model = registry_here(settings).load_current(Forecaster)
    return answer(asked, model.model, families, threads=settings.threads)
