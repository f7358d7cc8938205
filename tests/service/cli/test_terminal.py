"""What a file or a record holds cannot steer the terminal on which it is shown."""

from __future__ import annotations

import pytest
from rich.table import Table

from models.base.errors import Problem
from service.cli.printing import out, plain, print_problems

STEERING = "\x1b[2J\x1b]0;owned\x07\x9b31m\x08\x7f\u202eevil\u2066"


def test_no_sign_that_steers_is_left():
    assert plain(STEERING) == "\ufffd[2J\ufffd]0;owned\ufffd\ufffd31m\ufffd\ufffd\ufffdevil\ufffd"
    assert plain("a\tb\nä − 20 °C 电池 👍") == "a\tb\nä − 20 °C 电池 👍"


def test_consoles_show_letters_alone(capsys):
    table = Table("name", box=None)
    table.add_row(STEERING)
    out().print(f"row {STEERING}")
    out().print(table)
    print_problems([Problem(STEERING, STEERING, STEERING)])
    shown = capsys.readouterr()
    for text in (shown.out, shown.err):
        assert "evil" in text
        assert not set(text) & set("\x1b\x07\x9b\x08\x7f\u202e\u2066")


@pytest.mark.parametrize("command", ["guess", "import"])
def test_headings_and_cells_of_a_file(tideover, tmp_path, command):
    path = tmp_path / "readings.csv"
    path.write_text(f"time,state,pack_id,{STEERING},block 1 V\n2026-01-01,{STEERING},{STEERING},1,7.5\n")
    done = tideover(command, str(path), env={"TIDEOVER_HOME": str(tmp_path / "home")})
    shown = done.stdout + done.stderr
    assert shown
    assert "inside Tideover" not in shown
    assert not set(shown) & set("\x1b\x07\x9b\x08\x7f\u202e\u2066")
