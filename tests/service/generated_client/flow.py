"""A workshop's whole way through the service with a client that was generated from its own description.

It is checked by a type checker and run against a real server; it imports nothing of ours: ``python flow.py URL``.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TypeVar

from tideover_client import AuthenticatedClient, Client
from tideover_client.api.access_keys import create_key
from tideover_client.api.assignments import create_assignment
from tideover_client.api.costs import create_cost_sheet
from tideover_client.api.decisions import queue_orders, weigh_orders, weigh_release
from tideover_client.api.exports import export_table
from tideover_client.api.forecasts import make_forecast
from tideover_client.api.health import check_health
from tideover_client.api.jobs import read_job, start_scoring
from tideover_client.api.offers import create_offer
from tideover_client.api.packs import correct_pack, create_pack
from tideover_client.api.readings import create_reading, list_readings
from tideover_client.api.recheck import plan_recheck
from tideover_client.api.stored_forecasts import issue_forecast, list_issued_forecasts, read_pack_history
from tideover_client.api.suppliers import create_supplier
from tideover_client.api.top_up_plans import plan_topup
from tideover_client.api.topups import create_topup
from tideover_client.api.usage import create_usage_plan
from tideover_client.api.vehicles import create_vehicle
from tideover_client.models import (
    ExportTableTable,
    ForecastCase,
    ForecastRequest,
    NewAssignment,
    NewCostSheet,
    NewKey,
    NewKeyRole,
    NewOffer,
    NewPack,
    NewReading,
    NewReadingInspectedType0,
    NewReadingState,
    NewSupplier,
    NewTopUp,
    NewUsagePlan,
    NewVehicle,
    OrdersRequest,
    PackChange,
    PackHistory,
    ProblemDocument,
    QueueRequest,
    RecheckRequest,
    RecordsMade,
    ReleaseRequest,
    Scoring,
    StoredPack,
    TopUpPlanRequest,
)

Answer = TypeVar("Answer")
PACK = "MB-VAN-41"
CHARGED = datetime.now(UTC) - timedelta(hours=20)
VOLTS = [13.0, 13.01, 13.02, 12.99, 12.82, 13.02, 13.01, 12.99, 13.0, 13.0, 12.99, 13.0, 13.03, 13.03]


def good(answer: Answer | ProblemDocument | None) -> Answer:
    """Return an answer that is none of the problems; a checker knows its type from here on."""
    if answer is None or isinstance(answer, ProblemDocument):
        raise AssertionError(answer)
    return answer


def reading(minutes: float, state: NewReadingState, amperes: float, lifted: float) -> NewReading:
    """Return a reading so many minutes from the end of the charge."""
    volts: list[float | None] = [round(volt - 0.0075 * amperes, 3) for volt in VOLTS]
    volts[4] = round(VOLTS[4] + lifted - 0.0075 * amperes, 3)
    return NewReading(
        pack_id=PACK,
        time=CHARGED + timedelta(minutes=minutes),
        state=state,
        current_a=amperes,
        temperature_c=16.0,
        inspected=NewReadingInspectedType0.LABEL,
        block_v=volts,
    )


def record(client: AuthenticatedClient) -> None:
    """Put a van's pack, what was read of it and its top-up on record."""
    good(create_vehicle.sync(client=client, body=NewVehicle(id=PACK, site="harbour yard")))
    good(create_pack.sync(client=client, body=NewPack(id=PACK, family="gravel-14", odometer_km=210_600.0)))
    changed = good(correct_pack.sync(PACK, client=client, body=PackChange(age_years=14.5)))
    assert isinstance(changed, StoredPack)
    assert (changed.version, changed.age_years) == (2, 14.5)
    since = CHARGED - timedelta(days=900)
    good(create_assignment.sync(client=client, body=NewAssignment(pack_id=PACK, vehicle_id=PACK, since=since)))
    rest, load = NewReadingState.REST, NewReadingState.DISCHARGE
    both = [
        reading(-280, rest, 0.0, 0.0),
        *(reading(-270 + i, load, 20.0, 0.0) for i in range(5)),
        reading(17 * 60, rest, 0.0, 0.17),
    ]
    made = good(create_reading.sync(client=client, body=both, idempotency_key="visit-1"))
    again = good(create_reading.sync(client=client, body=both, idempotency_key="visit-1"))
    assert isinstance(made, RecordsMade)
    assert isinstance(again, RecordsMade)
    assert made.ids == again.ids
    assert len(good(list_readings.sync(client=client, pack_id=PACK)).items) == len(both)
    good(
        create_topup.sync(
            client=client, body=NewTopUp(pack_id=PACK, time=CHARGED, blocks=[5], charge_ah=1.1, duration_h=2.0)
        )
    )
    plan = NewUsagePlan(pack_id=PACK, time=CHARGED, km_per_day=22.0, trips_per_day=2.0)
    good(create_usage_plan.sync(client=client, body=plan))


def ask(client: AuthenticatedClient) -> None:
    """Forecast, and decide on it."""
    issued = good(issue_forecast.sync(PACK, client=client, body=ForecastRequest(replacement_in_days=7.0)))
    curve = issued.answer.survival
    assert curve[0] == 1.0
    assert all(later <= earlier for earlier, later in pairwise(curve))
    assert issued.answer.cautions
    history = good(read_pack_history.sync(PACK, client=client))
    assert isinstance(history, PackHistory)
    alone = good(make_forecast.sync(client=client, body=ForecastCase(history=history, replacement_in_days=7.0)))
    assert alone.survival == curve, "a stored pack and its history sent along get the same figures"
    assert [row.id for row in good(list_issued_forecasts.sync(client=client, pack_id=PACK)).items] == [issued.id]
    good(plan_topup.sync(PACK, client=client, body=TopUpPlanRequest()))
    good(plan_recheck.sync(PACK, client=client, body=RecheckRequest()))
    good(create_supplier.sync(client=client, body=NewSupplier(id="north-quay")))
    offer = NewOffer("north-quay", "gravel-14", "EUR", price=1450.0, usual_days=9, quoted_at=CHARGED)
    good(create_offer.sync(client=client, body=offer))
    costs = {"stranding": 600.0, "day_off_road": 60.0, "capital_per_day": 0.5, "return_value": 900.0}
    good(create_cost_sheet.sync(client=client, body=NewCostSheet(id="house", currency="EUR", **costs)))
    good(weigh_release.sync(PACK, client=client, body=ReleaseRequest(in_days=7)))
    good(weigh_orders.sync(PACK, client=client, body=OrdersRequest()))
    assert [case.pack_id for case in good(queue_orders.sync(client=client, body=QueueRequest())).entries] == [PACK]


def leave(client: AuthenticatedClient) -> None:
    """Start a job, read how far it is, and take a table away."""
    started = good(start_scoring.sync(client=client, body=Scoring()))
    assert good(read_job.sync(started.id, client=client)).id == started.id
    table = good(export_table.sync(ExportTableTable.READINGS, client=client, since=CHARGED))
    assert table.count("\n") == 8


def refused(address: str, client: AuthenticatedClient) -> None:
    """Be told no, in a document whose type is known."""
    nobody = create_pack.sync(client=Client(address), body=NewPack(id="MB-VAN-42", family="gravel-14"))
    assert isinstance(nobody, ProblemDocument)
    assert nobody.status == 401
    unknown = create_pack.sync(client=client, body=NewPack(id="MB-VAN-42", family="granite-7"))
    assert isinstance(unknown, ProblemDocument)
    assert isinstance(unknown.problems, list)
    assert unknown.problems[0].where == "family"


def main(address: str) -> None:
    """Go the whole way."""
    anybody = Client(address)
    good(check_health.sync(client=anybody))
    key = good(create_key.sync(client=anybody, body=NewKey(title="front office", role=NewKeyRole.ADMIN))).key
    client = AuthenticatedClient(address, token=key)
    record(client)
    ask(client)
    leave(client)
    refused(address, client)


if __name__ == "__main__":
    main(sys.argv[1])
