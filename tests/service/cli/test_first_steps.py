"""What stands in the way is told before anything is asked, and what was taken is told back."""

from __future__ import annotations


def test_guess_without_its_file_ends_with_status_2(tideover, tmp_path):
    done = tideover("guess", str(tmp_path / "nofile.csv"))
    assert done.exit_code == 2
    assert "There is no such file." in done.stderr


def test_a_missing_folder_is_told_before_the_first_question(tideover):
    done = tideover("families", "new", "slate-17", input="nimh\n17\n6\n6.5\n")
    assert done.exit_code == 2
    assert "TIDEOVER_FAMILIES_DIR" in done.stderr
    assert "Chemistry" not in done.stdout


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
