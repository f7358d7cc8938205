"""What schemathesis is told of this service beyond its description; imported for what it registers."""

from __future__ import annotations

import json
import os

import schemathesis

from service.forecasting.batch.routes import LINES

OWN_KEY = os.environ.get("FUZZ_KEY_ID")


@schemathesis.serializer(LINES)
def _lines(_context, value):
    """Send text as it was drawn, anything else as one line of JSON."""
    return value if isinstance(value, bytes) else (value if isinstance(value, str) else json.dumps(value)).encode()


@schemathesis.hook
def before_call(_context, case, _kwargs):
    """Leave the key alone with which all requests are sent: without it each of them ends at 401."""
    if case.operation.definition.raw["operationId"] == "revoke_key" and case.path_parameters.get("key_id") == OWN_KEY:
        case.path_parameters["key_id"] = "another"
