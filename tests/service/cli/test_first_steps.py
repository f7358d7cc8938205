"""What stands in the way is told before anything is asked, and what was taken is told back."""

from __future__ import annotations

import shutil

from tests.service.typing_time import seconds


def test_guess_without_its_file_ends_with_status_2(tideover, tmp_path):
    done = tideover("guess", str(tmp_path / "nofile.csv"))
    assert done.exit_code == 2
    assert "There is no such file." in done.stderr


def test_a_pack_of_an_unknown_kind_is_forecast_after_less_than_three_minutes_of_typing(tideover, home, tmp_path):
    shutil.copytree(home / "models", tmp_path / "own" / "models")
    env = {"TIDEOVER_HOME": str(tmp_path / "own")}
    before = ",".join(["15.48", "15.51", "15.49", "15.5", "14.92", *["15.5"] * 12])
    after = ",".join(["15.47", "15.5", "15.48", "15.49", "15.52", *["15.49"] * 12])
    case = (
        '{"history":{"pack_id":"van44","family":"slate-17","readings":['
        f'{{"time":"2026-03-13T08:00Z","state":"rest","block_v":[{before}]}},'
        f'{{"time":"2026-03-14T08:00Z","state":"rest","block_v":[{after}]}}],'
        '"topups":[{"time":"2026-03-13T12:00Z","blocks":[5],"charge_ah":1.7}]}}'
    )
    words, said = "tideover families new slate-17", "nimh\n17\n12\n6.5\n"
    done = tideover(*words.split()[1:], input=said, env=env)
    assert done.exit_code == 0, done.stderr
    assert "Check that with a reading." in done.stdout
    told = tideover("forecast", "-", input=case, env=env)
    assert told.exit_code == 0, told.stderr
    assert "such packs hold" in told.stdout
    keys = len(words) + 1 + len(said) + len("tideover forecast -") + 1 + len(case) + 2
    assert seconds(keys) < 180, keys


def test_a_reading_that_speaks_against_the_cells_is_told_and_nothing_written(tideover, tmp_path):
    env = {"TIDEOVER_FAMILIES_DIR": str(tmp_path)}
    done = tideover("families", "new", "slate-17", "--rest-v", "15.5", input="nimh\n17\n6\n6.5\n", env=env)
    assert done.exit_code == 2
    assert "By that voltage it has about 12 cells" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_volts_that_lithium_cells_would_have_take_the_label(tideover, tmp_path):
    """Two lithium cells of 3.8 V passed as six of nickel-metal hydride: "lies between"."""
    env = {"TIDEOVER_FAMILIES_DIR": str(tmp_path)}
    asked = ("families", "new", "slate-28", "--rest-v", "7.6")
    done = tideover(*asked, input="nimh\n28\n6\n6.5\n", env=env)
    assert done.exit_code == 2
    assert "6 cells of nickel-metal hydride may read 7.6 V, and so may 2 of lithium-ion" in done.stderr
    assert list(tmp_path.iterdir()) == []
    assert tideover(*asked, "--label-read", input="nimh\n28\n6\n6.5\n", env=env).exit_code == 0
    lithium = tideover("families", "new", "slate-29", "--rest-v", "7.6", input="lithium-ion\n28\n2\n6.5\n", env=env)
    assert lithium.exit_code == 0, lithium.stderr


def test_a_chemistry_may_be_written_in_capitals(tideover, tmp_path):
    env = {"TIDEOVER_FAMILIES_DIR": str(tmp_path)}
    done = tideover("families", "new", "slate-17", input="NiMH\n17\n6\n6.5\n", env=env)
    assert done.exit_code == 0, done.stderr
    assert 'chemistry = "nimh"' in (tmp_path / "slate-17.toml").read_text()


def test_an_empty_answer_tells_what_was_taken(tideover, tmp_path):
    path = tmp_path / "logger.csv"
    path.write_text(
        "Time,Cell 1 [V],Cell 2 [V],Temp\n2026-01-01 10:00:00,7.5,7.5,290\n2026-01-01 10:00:01,7.5,7.6,290\n"
    )
    env = {"TIDEOVER_HOME": str(tmp_path / "home")}
    said = "\n1\nrest\nUTC\n" + "\n" * 10
    done = tideover("guess", str(path), "--ask", "--pack", "MB-VAN-07", input=said, env=env)
    assert "Nothing was taken" in done.stderr
    assert "Taken as suggested: " in done.stderr
