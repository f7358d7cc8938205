"""The day for a risk is the same whoever asks: forecast, order, queue and calendar."""

from __future__ import annotations

import pytest

from tests.cases.packs import history_of_case
from training.files.families import load_families

FAMILIES = load_families()
COSTS = {"currency": "EUR", "stranding": 600, "day_off_road": 60, "capital_per_day": 0.5, "return_value": 900}


@pytest.mark.parametrize("family", ["marl-28", "shale-20"])
@pytest.mark.parametrize("usage", [{}, {"km_per_day": 400}], ids=["ordinary", "unlike any seen"])
@pytest.mark.parametrize("risk", [0.1, 0.35, 0.5])
def test_a_pack_ordered_by_the_latest_day_comes_by_the_promised_day(client, family, usage, risk):
    history = history_of_case({"family": family, "usage": usage}, FAMILIES)
    at = "2026-03-11T08:00:00Z"
    case = {"history": history, "confidence": [1 - risk], "at": at}
    (promise,) = client.post("/v1/forecasts", json=case).json()["good_for"]
    for lead_days in (0, 1, 2):
        offer = {"supplier": "North Quay Stores", "currency": "EUR", "price": 1450, "usual_days": lead_days}
        asked = {"case": {"history": history, "at": at}, "costs": COSTS, "offers": [offer], "risk": risk}
        answer = client.post("/v1/orders", json=asked).json()
        (weighed,) = answer["offers"]
        last = int(promise["days"] + 1e-9) - lead_days
        assert weighed["latest_day"] == (last if last >= 0 else None)
        assert answer["keeps_to_risk"] == (weighed["fault_first_today"] <= risk)
