"""What took long is worked out once for the same question, and anew for any other."""

from __future__ import annotations

import json

import pytest

from models.base.errors import BadInput
from models.packs.history import PackHistory
from service.forecasting.forecasts.remembered import KEPT, remembered


@pytest.fixture
def run_forward(monkeypatch) -> list[int]:
    """Count how often packs are run forward; they really are."""
    import models.interventions.recheck as recheck
    import models.interventions.what_if as what_if

    runs: list[int] = []
    for module in (recheck, what_if):
        really = module.run_plans

        def counted(*given, _really=really, **named):
            runs.append(1)
            return _really(*given, **named)

        monkeypatch.setattr(module, "run_plans", counted)
    return runs


@pytest.mark.parametrize("route", ["/v1/what-if", "/v1/recheck"])
def test_the_same_question_runs_packs_forward_once(client, van_case, run_forward, route):
    """A sheet that was looked at, printed and handed over ran them three times, a third of a second each."""
    history = json.loads(json.dumps(van_case["history"]))
    # A charge of its own, so that no other test has asked before.
    history["topups"][-1]["charge_ah"] = 1.0 + len(route) / 100
    asked = {"history": history, "at": max(fact["time"] for fact in (*history["readings"], *history["topups"]))}
    first = client.post(route, json=asked)
    assert first.status_code == 200, first.text
    assert (ran := len(run_forward)) > 0
    again = client.post(route, json=asked)
    assert (again.json(), len(run_forward)) == (first.json(), ran)
    other = json.loads(json.dumps(asked))
    other["history"]["topups"][-1]["charge_ah"] += 0.001
    client.post(route, json=other)
    assert len(run_forward) == 2 * ran


def test_errors_and_the_oldest_answers_are_not_kept(source, van_case):
    forecaster = source.current().model
    history = PackHistory.model_validate(van_case["history"])

    def refuse():
        raise BadInput.one("at", "is wrong.", "Mend it.")

    with pytest.raises(BadInput):
        remembered(forecaster, ("test", history), refuse)
    assert remembered(forecaster, ("test", history), lambda: 1) == 1
    assert remembered(forecaster, ("test", history.model_copy()), lambda: 2) == 1
    for number in range(KEPT):
        remembered(forecaster, ("test", number), lambda: 0)
    assert remembered(forecaster, ("test", history), lambda: 3) == 3
