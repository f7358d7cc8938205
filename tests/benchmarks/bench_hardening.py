"""Which tests hold each point of the hardening, and the table of how many tries they make and how many fail.

Run from the checkout: ``python tests/benchmarks/bench_hardening.py [A,B9]``; it runs the named tests and prints the
table of `tests/studies/hardening.md`. A try is a test case, or where a test goes through a corpus, each body, file or
field of it.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

TESTS = Path(__file__).parents[1]
API = "service/store/api/"
FILES = "service/exchange/imports/test_hostile_files.py"
REQUESTS = f"{API}test_hostile_requests.py"
CORPUS = f"{API}test_hostile_corpus.py"
REGISTRY = "training/registry/test_registry.py"
BACKUP = "service/store/test_backup.py"
PROBLEMS = "service/test_problem_documents.py"
INBOX = f"{API}test_inbox_and_reports.py"
JOBS = f"{API}test_jobs.py"
ACCESS = f"{API}test_access.py"
FAULTS = "service/faults/test_power_and_clocks.py"


@dataclass(frozen=True)
class Item:
    """One point, and what holds it.

    Attributes
    ----------
    name : str
        Section and number.
    what : str
    tests : tuple of str
        Files, each with the name of one test after two colons, or all of a file.
    """

    name: str
    what: str
    tests: tuple[str, ...]


ITEMS = (
    Item("A1", "forms in other encodings, long bodies before signing in", (
        f"{REQUESTS}::test_a_form_is_read_as_utf8_alone", f"{REQUESTS}::test_utf8_may_be_said",
        f"{REQUESTS}::test_what_anybody_may_send_is_short")),
    Item("A2", "numbers of a case and a family without a bound", (
        f"{REQUESTS}::test_every_number_of_a_family_has_an_upper_bound", f"{CORPUS}::test_cases_with_one_hostile_field",
        f"{CORPUS}::test_bodies_that_are_no_case")),
    Item("A3", "a path in the Host header", (f"{REQUESTS}::test_the_host_header_opens_nothing",)),
    Item("A4", "headings and rows that cost more than their length", (
        f"{FILES}::test_long_headings", f"{FILES}::test_what_the_delimiter_is_is_found_in_one_pass",
        f"{FILES}::test_a_million_columns", f"{FILES}::test_a_row_without_an_end")),
    Item("A5", "half-sent headers, too many connections, a log that is filled", ("service/http/test_connections.py",)),
    Item("A6", "a crowd, a locked database, health meanwhile", (
        "service/http/test_turns.py", "service/http/test_health.py", "service/store/test_locked.py",
        "service/test_serve.py::test_a_connection_is_kept_for_longer_than_clients_use_it")),
    Item("A7", "long histories", (f"{REQUESTS}::test_a_long_history_is_answered_in_time",)),
    Item("A8", "Parquet and gzip that unpack to far more", (
        f"{FILES}::test_a_parquet_file_that_unpacks_to_far_more_than_it_is",
        f"{FILES}::test_a_large_honest_parquet_file_is_read_piece_by_piece",
        f"{API}test_many_at_once.py::test_a_bomb_is_stopped_at_the_limit_of_what_comes_out")),
    Item("B1", "years that cannot be meant", (f"{REQUESTS}::test_years_that_cannot_be_meant",)),
    Item("B2", "an empty secret", (f"{REQUESTS}::test_an_empty_secret_signs_nothing",)),
    Item("B3", "a service without keys behind a proxy", (
        f"{REQUESTS}::test_without_keys_nobody_is_let_in_through_a_proxy",
        f"{REQUESTS}::test_behind_a_proxy_a_key_opens_what_it_opens",
        f"{ACCESS}::test_without_keys_another_name_is_refused_so_that_no_site_can_call_through_a_browser")),
    Item("B4", "models that others may write to, links, other owners", (
        f"{REGISTRY}::test_what_others_may_write_to_is_not_loaded", f"{REGISTRY}::test_a_link_is_not_followed",
        f"{REGISTRY}::test_what_belongs_to_another_user_is_not_loaded")),
    Item("B5", "promotions at once", (f"{REGISTRY}::test_no_move_is_lost_when_many_move_at_once",)),
    Item("B6", "administrators who revoke each other", (
        f"{ACCESS}::test_two_administrators_who_revoke_each_other_leave_one",)),
    Item("B7", "a backup before an upgrade", (
        f"{BACKUP}::test_a_store_that_waits_to_be_upgraded_is_backed_up_and_restored",
        f"{BACKUP}::test_the_command_backs_up_before_an_upgrade")),
    Item("B8", "a damaged database", (
        f"{BACKUP}::test_the_doctor_looks_at_a_damaged_database", f"{API}test_trouble.py")),
    Item("B9", "hostile imports, broken Parquet, wide files", (
        f"{CORPUS}::test_tables_with_one_hostile_field", f"{CORPUS}::test_histories_and_loggers_files",
        f"{FILES}::test_broken_parquet_files_are_told_as_such",
        f"{FILES}::test_a_heading_that_stands_there_twice")),
    Item("B10", "a restore that was killed", (f"{BACKUP}::test_a_restore_that_was_killed_can_be_repeated",)),
    Item("B11", "signing out", (f"{ACCESS}::test_signing_out_ends_the_visit_on_the_server",)),
    Item("B12", "a full disk", ("faults/test_full_disk.py",)),
    Item("C1", "wrong keys by address", ("service/access/test_wrong_keys.py",)),
    Item("C2", "the security scheme", (
        "service/test_openapi.py::test_it_says_how_to_send_a_key_and_what_needs_none",)),
    Item("C3", "Allow and 405", (
        f"{PROBLEMS}::test_wrong_method_is_405_and_says_which_are_allowed",
        f"{PROBLEMS}::test_allow_names_every_method_of_the_address",
        f"{JOBS}::test_kinds_of_jobs_are_started_and_nothing_else")),
    Item("C4", "policy of the report, no-store", (
        f"{PROBLEMS}::test_no_answer_is_kept_or_taken_for_something_else",
        f"{PROBLEMS}::test_a_report_for_programs_runs_nothing_in_a_browser")),
    Item("C5", "formulas in CSV", ("service/exchange/exports/test_formulas.py",)),
    Item("C6", "links in the inbox", (
        f"{INBOX}::test_links_in_the_inbox_are_not_followed",
        f"{INBOX}::test_one_file_of_a_folder_is_removed_and_nothing_behind_a_link")),
    Item("C7", "headings in the log", (
        f"{JOBS}::test_no_heading_of_a_file_gets_into_the_log", f"{PROBLEMS}::test_log_names_the_route_and_no_input")),
    Item("C8", "what killed processes leave", (
        f"{INBOX}::test_what_is_left_of_a_file_that_never_came_in_whole_goes_at_the_start",
        f"{REGISTRY}::test_what_a_killed_process_left_goes_at_the_next_save")),
    Item("C9", "a claim from a clock ahead", (
        f"{JOBS}::test_a_claim_from_a_clock_ahead_is_taken_back",
        f"{FAULTS}::test_a_clock_that_was_ahead_or_goes_back_holds_no_job_and_opens_no_door")),
    Item("C10", "signs that steer a terminal", ("service/cli/test_terminal.py",)),
    Item("D1", "the runtime by digest", ("test_pinned.py",)),
    Item("D2", "the corpus at every door; properties of parsers and forecasts", (
        CORPUS, f"{API}test_hostile_forms.py", "service/cli/test_hostile_files.py", "service/test_parsers.py",
        "models/test_forecast_properties.py",
        "training/files/test_tables.py::test_property_the_row_is_that_of_the_file_also_where_its_rows_are_in_no_order")),
    Item("D3", "real faults", (
        FAULTS, "service/faults/test_kills.py", "service/store/test_crash.py",
        f"{REGISTRY}::test_a_power_cut_does_not_take_back_a_model_or_a_promotion",
        f"{INBOX}::test_a_power_cut_does_not_take_back_a_file")),
    Item("D4", "the nightly self-check", (f"{API}test_self_check.py",)),
    Item("D5", "every check of schemathesis; numbers and truths", (
        f"{API}test_schema_fuzz.py", "service/test_numbers_and_truths.py")),
)  # fmt: skip


def run(items: Sequence[Item]) -> list[ElementTree.Element]:
    """Run the tests of some points, each once; return the test cases of the report."""
    selected = sorted({str(TESTS / test) for item in items for test in item.tests})
    with tempfile.TemporaryDirectory() as name:
        report = Path(name) / "report.xml"
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-n",
            "1",
            "-m",
            "faults or not faults",
            f"--junit-xml={report}",
        ]
        subprocess.run([*command, *selected], cwd=TESTS.parent, check=False, stdout=sys.stderr)
        return list(ElementTree.parse(report).iter("testcase"))


def belongs(case: ElementTree.Element, test: str) -> bool:
    """Tell whether a test case is one of a named test or file."""
    path, _, name = test.partition("::")
    module = f"tests.{path.removesuffix('.py').replace('/', '.')}"
    return case.get("classname") == module and (not name or case.get("name", "").partition("[")[0] == name)


def main() -> None:
    wanted = sys.argv[1].split(",") if len(sys.argv) > 1 else list("ABCD")
    items = [item for item in ITEMS if item.name in wanted or item.name[0] in wanted]
    cases = run(items)
    print("| | what was tried | tests | tries | failures |\n| --- | --- | --- | --- | --- |")
    for item in items:
        mine = [case for case in cases if any(belongs(case, test) for test in item.tests)]
        told = [
            int(one.get("value", 0)) for case in mine for one in case.iter("property") if one.get("name") == "tries"
        ]
        failed = sum(1 for case in mine if case.find("failure") is not None or case.find("error") is not None)
        print(f"| {item.name} | {item.what} | {len(mine)} | {len(mine) - len(told) + sum(told):,} | {failed} |")


if __name__ == "__main__":
    main()
