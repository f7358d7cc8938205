"""Every command that prints figures prints them as JSON if asked to."""

from __future__ import annotations

import json

import pytest
import typer
from typer.main import get_command

from service.cli.program import app

NO_FIGURES = {
    "demo": "it shows the service itself",
    "serve": "it serves until it is stopped",
    "worker": "it works until it is stopped",
    "simulate": "it writes files",
    "simulation-page": "it writes a page",
    "train": "it writes a model, whose figures `models card` and `report` print",
    "guess": "it prints a mapping, in TOML",
    "calendar": "it prints a calendar, in a format of its own",
    "families new": "it writes a file",
    "keys create": "it prints the key alone",
    "keys revoke": "it closes a key",
    "models promote": "what it found is what `models compare` prints",
    "models rollback": "it names a model",
    "logs export": "it writes a file",
    "logs remove": "it removes a log",
    "receivers add": "it prints the secret alone",
    **dict.fromkeys(("receivers pause", "receivers resume", "receivers remove"), "it changes a receiver"),
    **dict.fromkeys(("receivers test", "receivers retry"), "what came of it is what `receivers failures` prints"),
    "store upgrade": "it changes the database",
}


def commands(group=None, before=""):
    context = typer.Context(group or get_command(app))
    for name in context.command.list_commands(context):
        command = context.command.get_command(context, name)
        if hasattr(command, "list_commands"):
            if name == "families":
                yield name, command
            yield from commands(command, f"{name} ")
        else:
            yield f"{before}{name}", command


def test_only_commands_without_figures_have_no_json():
    without = {
        name
        for name, command in commands()
        if not any("--json" in getattr(parameter, "opts", ()) for parameter in command.params)
    }
    assert without == set(NO_FIGURES)


@pytest.mark.parametrize(
    ("arguments", "key"),
    [
        (["settings"], "variable"),
        (["families"], "blocks"),
        (["models", "list"], "model_id"),
        (["models", "history"], "action"),
        (["doctor"], "verdict"),
    ],
)
def test_lists_come_as_lists(tideover, arguments, key):
    ran = tideover(*arguments, "--json")
    rows = json.loads(ran.stdout)
    assert rows
    assert all(key in row for row in rows)


def test_what_is_made_or_counted_comes_as_figures(tideover, tmp_path):
    own = {"env": {"TIDEOVER_HOME": str(tmp_path / "home")}}
    tideover("keys", "create", "--role", "admin", "--title", "front office", **own)
    (key,) = json.loads(tideover("keys", "list", "--json", **own).stdout)
    assert (key["role"], key["title"], key["revoked_at"]) == ("admin", "front office", None)
    counts = json.loads(tideover("backup", tmp_path / "backup", "--json", **own).stdout)
    assert counts["api_keys"] == 1
    again = tideover("restore", tmp_path / "backup", "--json", env={"TIDEOVER_HOME": str(tmp_path / "second")})
    assert json.loads(again.stdout) == counts


def test_a_card_comes_as_the_manifest(tideover):
    name = json.loads(tideover("models", "list", "--json").stdout)[0]["model_id"]
    manifest = json.loads(tideover("models", "card", name, "--json").stdout)
    assert manifest["model_id"] == name
    assert manifest["families"]
