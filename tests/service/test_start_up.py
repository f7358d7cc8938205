"""How little the command line loads before it knows what is asked."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.metadata import version

import typer.main
from typer.testing import CliRunner

from service.cli.program import app

HEAVY = (
    *("pandas", "scipy", "sklearn", "statsmodels", "matplotlib", "pyarrow", "joblib", "fpdf"),
    *("sqlalchemy", "alembic", "fastapi", "uvicorn"),
)
"""Each takes a tenth of a second or more to load, the first four a second together."""


def loaded_by(*commands: list[str]) -> set[str]:
    """Heavy packages in memory after these commands, run one after the other in a fresh process."""
    code = (
        "import sys, json\n"
        "from service.cli.program import app\n"
        f"for words in {list(commands)!r}:\n"
        "    try:\n"
        "        app(words)\n"
        "    except SystemExit as left:\n"
        "        assert not left.code, (words, left.code)\n"
        "print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})))\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(json.loads(ran.stdout.splitlines()[-1])) & set(HEAVY)


def loaded_with(module: str, *packages: str) -> set[str]:
    """Which of these packages a module brings with it in a fresh process."""
    code = f"import sys, {module}\nprint(*(sys.modules.keys() & {set(packages)!r}))"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(ran.stdout.split())


def every_command() -> list[list[str]]:
    """The words of each command, those of groups included."""
    found = []
    for name, command in typer.main.get_command(app).commands.items():
        found += [[name, below] for below in command.commands] if hasattr(command, "commands") else [[name]]
    return found


def test_help_of_every_command_loads_nothing_heavy():
    commands = every_command()
    assert len(commands) > 30
    assert loaded_by(["--help"], *([*words, "--help"] for words in commands)) == set()


def test_light_commands_load_nothing_heavy():
    assert loaded_by(["--version"], ["settings"], ["families"]) == set()


def test_a_forecast_of_a_history_that_is_sent_along_needs_neither_store_nor_web_server():
    assert loaded_with("service.forecasting.forecasts.answers", "sqlalchemy", "fastapi", "matplotlib") == set()


def test_the_application_loads_what_draws_and_prints_when_somebody_asks_for_a_drawing():
    assert loaded_with("service.app", "matplotlib", "fpdf") == set()


def test_the_version_is_the_installed_one(tideover):
    ran = tideover("--version")
    assert ran.exit_code == 0
    assert ran.stdout == f"tideover {version('tideover')}\n"


def test_completion_knows_the_commands():
    asked = {"_TIDEOVER_COMPLETE": "complete_bash", "COMP_WORDS": "tideover topup", "COMP_CWORD": "1"}
    code = "from service.cli.program import app; app(prog_name='tideover')"
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={**os.environ, **asked}
    )
    assert ran.stdout.split() == ["topup-plan"]


def test_a_family_is_described_by_a_few_words(tmp_path):
    env = {"TIDEOVER_HOME": str(tmp_path), "TIDEOVER_FAMILIES_DIR": str(tmp_path)}

    def run(*words: str, said: str = ""):
        return CliRunner().invoke(app, ["families", *words], input=said, env=env)

    made = run("new", "slate-17", said="nimh\n17\n12\n6.5\n")
    assert made.exit_code == 0, made.output
    assert "rests between 14.54 V (empty) and 17.12 V (full)" in made.stdout
    assert "slate-17" in run().stdout
    taken = run("new", "slate-17", said="nimh\n17\n12\n6.5\n")
    assert (taken.exit_code, "the family name slate-17 is taken" in taken.stderr) == (2, True)
    refused = run("new", "Slate 18", said="nimh\n17\n12\n6.5\n")
    assert refused.exit_code == 2
    assert [path.name for path in tmp_path.glob("*.toml")] == ["slate-17.toml"]
