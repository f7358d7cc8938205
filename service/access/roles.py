"""The one table of who may do what: operation by operation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Final

from fastapi import APIRouter, Depends, HTTPException, Request

from service.access.callers import ROLES, Caller, Role
from service.core.translation import _
from service.http.page_addresses import is_page

Roles = frozenset[Role]

EVERY: Final[Roles] = frozenset(ROLES)
ADMIN: Final[Roles] = frozenset({"admin"})
BENCH: Final[Roles] = frozenset({"bench", "admin"})
PARTS: Final[Roles] = frozenset({"parts", "admin"})
FLEET: Final[Roles] = frozenset({"fleet", "admin"})
BENCH_OR_FLEET: Final[Roles] = BENCH | FLEET
FORECASTERS: Final[Roles] = BENCH | PARTS | FLEET


def _record_operations(one: str, many: str, writers: Roles) -> dict[str, Roles]:
    writes = {f"{verb}_{one}": writers for verb in ("create", "correct", "withdraw")}
    return {**writes, f"list_{many}": EVERY, f"read_{one}": EVERY, f"list_{one}_versions": EVERY}


MAY: Final[Mapping[str, Roles]] = {
    **_record_operations("vehicle", "vehicles", BENCH_OR_FLEET),
    **_record_operations("pack", "packs", BENCH_OR_FLEET),
    **_record_operations("assignment", "assignments", BENCH_OR_FLEET),
    **_record_operations("reading", "readings", BENCH),
    **_record_operations("topup", "topups", BENCH),
    **_record_operations("usage_plan", "usage", BENCH_OR_FLEET),
    **_record_operations("outcome", "outcomes", BENCH_OR_FLEET),
    **_record_operations("supplier", "suppliers", PARTS),
    **_record_operations("offer", "offers", PARTS),
    **_record_operations("delivery", "deliveries", PARTS),
    **_record_operations("cost_sheet", "costs", PARTS | FLEET),
    "fit_pack": BENCH_OR_FLEET,
    "read_pack_history": EVERY,
    "issue_forecast": FORECASTERS,
    **dict.fromkeys(("weigh_release", "weigh_sent_release"), EVERY),
    **dict.fromkeys(("weigh_orders", "weigh_sent_orders", "queue_orders", "weigh_stock"), EVERY),
    **dict.fromkeys(("rank_fleet", "plan_fleet", "count_returns", "weigh_age"), EVERY),
    "list_issued_forecasts": EVERY,
    "read_issued_forecast": EVERY,
    **dict.fromkeys(("make_forecast", "make_forecasts"), EVERY),
    "plan_topup": FORECASTERS,
    "plan_sent_topup": EVERY,
    **dict.fromkeys(("compare_plans", "compare_sent_plans", "plan_recheck", "plan_sent_recheck"), EVERY),
    "read_calibration": EVERY,
    "read_calibration_page": EVERY,
    "read_live_record": EVERY,
    "read_drift": EVERY,
    "read_model": EVERY,
    "list_families": EVERY,
    "export_table": EVERY,
    "read_calendar": EVERY,
    **dict.fromkeys(("list_drive_logs", "read_drive_log"), EVERY),
    "remove_drive_log": BENCH,
    "start_training": ADMIN,
    "start_scoring": FLEET,
    "start_import": ADMIN,
    "list_jobs": EVERY,
    "read_job": EVERY,
    "start_report": FLEET,
    "start_self_check": FLEET,
    "cancel_job": FLEET,
    "list_inbox": ADMIN,
    "send_file": ADMIN,
    "send_file_to_folder": ADMIN,
    "remove_from_inbox": ADMIN,
    "remove_from_folder": ADMIN,
    "list_reports": EVERY,
    "read_report": EVERY,
    "read_report_page": EVERY,
    "read_metrics": EVERY,
    "create_key": ADMIN,
    "list_keys": ADMIN,
    "revoke_key": ADMIN,
    "list_audit": ADMIN,
    **dict.fromkeys(("add_receiver", "list_receivers", "remove_receiver", "pause_receiver", "resume_receiver"), ADMIN),
    **dict.fromkeys(("test_receiver", "retry_receiver", "list_messages"), ADMIN),
    "page_home": EVERY,
    "page_sign_in": EVERY,
    "page_sign_in_sent": EVERY,
    "page_sign_out": EVERY,
    **dict.fromkeys(("page_show_code", "page_code", "page_code_used"), EVERY),
    "page_look": EVERY,
    "page_undo": FORECASTERS,
    "page_record": EVERY,
    "page_whole_report": EVERY,
    "page_told": EVERY,
    "page_model_card": EVERY,
    "page_drift": EVERY,
    "page_admin": FLEET,
    "page_jobs": FLEET,
    "page_start_job": FLEET,
    "page_job": FLEET,
    "page_cancel_job": FLEET,
    "page_written_report": EVERY,
    "page_import_again": ADMIN,
    "page_imports": ADMIN,
    "page_send_import": ADMIN,
    "page_send_mapping": ADMIN,
    "page_keys": ADMIN,
    "page_make_key": ADMIN,
    "page_revoke_key": ADMIN,
    **dict.fromkeys(("page_receivers", "page_add_receiver", "page_test_receiver", "page_pause_receiver"), ADMIN),
    **dict.fromkeys(("page_resume_receiver", "page_retry_receiver", "page_remove_receiver"), ADMIN),
    "page_models": ADMIN,
    "page_promote_model": ADMIN,
    "page_roll_back_model": ADMIN,
    "page_asset": EVERY,
    "page_programs": EVERY,
    "page_programs_file": EVERY,
    "page_bench": EVERY,
    "page_add_unit": BENCH_OR_FLEET,
    "page_add_unit_sent": BENCH_OR_FLEET,
    "page_first_answer": BENCH,
    **dict.fromkeys(("page_visit", "page_visit_answer", "page_visit_sent"), BENCH),
    **dict.fromkeys(("page_new_family", "page_add_family"), BENCH_OR_FLEET),
    "page_unit": EVERY,
    "page_vehicle": EVERY,
    "page_label": EVERY,
    **dict.fromkeys(("page_other_pack", "page_fit_pack"), BENCH_OR_FLEET),
    "page_issue_forecast": FORECASTERS,
    "page_new_fact": BENCH_OR_FLEET,
    "page_fact": BENCH_OR_FLEET,
    "page_record_fact": BENCH_OR_FLEET,
    "page_correct_fact": BENCH_OR_FLEET,
    "page_new_reading": BENCH,
    "page_reading": BENCH,
    "page_record_reading": BENCH,
    "page_correct_reading": BENCH,
    "page_readings_file": BENCH,
    **dict.fromkeys(("page_what_if", "page_recheck", "page_way"), EVERY),
    "page_topup_plan": FORECASTERS,
    "page_release_sheet": EVERY,
    "page_release_sheet_pdf": EVERY,
    **dict.fromkeys(("page_parts", "page_parts_queue_file", "page_parts_case", "page_suppliers", "page_supply"), EVERY),
    **dict.fromkeys(("page_order_pack", "page_pack_arrived", "page_new_supply", "page_record_supply"), PARTS),
    **dict.fromkeys(("page_correct_supply",), PARTS),
    **dict.fromkeys(("page_costs", "page_stock", "page_fleet", "page_ranking_file", "page_plan"), EVERY),
    **dict.fromkeys(("page_plan_file", "page_returns", "page_returns_file", "page_age"), EVERY),
    "page_state_costs": PARTS | FLEET,
    **dict.fromkeys(("page_calendar", "page_calendar_file", "page_calendar_feed", "page_supply_file"), EVERY),
    **dict.fromkeys(("page_make_feed", "page_revoke_feed"), FORECASTERS),
    "page_start_scoring": FLEET,
    "check_health": EVERY,
    "check_readiness": EVERY,
}
"""Operation id and the roles that may call it. An operation that is not in here cannot be served."""

OPEN_PATHS: Final = frozenset({"/healthz", "/readyz", "/openapi.json"})
"""Asked by whatever watches over the service, before it can have a key; they tell nothing about packs."""


async def current_caller(request: Request) -> Caller:
    """Return who is calling, as a dependency."""
    caller: Caller = request.state.caller
    return caller


CurrentCaller = Annotated[Caller, Depends(current_caller)]


async def require_role(request: Request) -> None:
    """Refuse a caller whose role may not do this: a dependency of every route.

    What is asked for is told by `scope["path"]`, which chose the route. `request.url` is put together with the Host
    header, in which a caller writes what it likes.
    """
    if request.scope["path"] in OPEN_PATHS:
        return
    caller: Caller = request.state.caller
    operation = request.scope["route"].operation_id
    if caller.role not in MAY[operation]:
        needed = ", ".join(sorted(MAY[operation]))
        if is_page(request.scope["path"]):
            said = _("You are here with the role %(role)s. This needs the role %(needed)s.")
            raise HTTPException(403, said % {"role": caller.role, "needed": needed})
        raise HTTPException(
            403, f"A key with the role {caller.role} may not do this ({operation}); needed is {needed}."
        )


def require_complete_table(routers: Iterable[APIRouter]) -> None:
    """Refuse to start with an operation of which nobody has said who may call it."""
    operations = {str(getattr(route, "operation_id", None)) for router in routers for route in router.routes}
    if forgotten := sorted(operations - MAY.keys()):
        raise LookupError(f"no roles are stated for {', '.join(forgotten)}")
