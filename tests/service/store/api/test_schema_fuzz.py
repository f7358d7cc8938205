"""Requests made up from the served OpenAPI document: no fault of ours, and no answer that is not declared."""

from __future__ import annotations

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.access.roles import MAY

SENT = ("method", "url", "headers", "params", "json", "data")


@pytest.fixture
def fuzzed(filled):
    return schemathesis.openapi.from_dict(filled.get("/openapi.json").json()), filled


@pytest.mark.parametrize("operation", sorted(set(MAY) - {"create_key", "revoke_key"}))
@pytest.mark.parametrize("backend", ["postgresql"], indirect=True)
def test_no_request_brings_out_a_fault_or_an_undeclared_answer(fuzzed, operation):
    """On PostgreSQL, the stricter one of the two about what a text or a number may hold."""
    schema, client = fuzzed
    found = next(o.ok() for o in schema.get_all_operations() if o.ok().definition.raw["operationId"] == operation)

    @settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck), database=None, derandomize=True)
    def check(data):
        case = data.draw(found.as_strategy())
        sent = case.as_transport_kwargs(base_url="http://testserver")
        response = client.request(**{name: sent[name] for name in SENT if name in sent})
        assert response.status_code != 500, case
        declared = found.definition.raw["responses"]
        assert str(response.status_code) in declared, (response.status_code, response.text, case)
        if response.status_code >= 400:
            assert response.headers["Content-Type"] == "application/problem+json"

    given(st.data())(check)()
