"""In no body is true a number, or 0 a truth: half an hour that nobody measured must not become one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, get_args

import pytest
from fastapi.routing import APIRoute
from pydantic import BaseModel, TypeAdapter, ValidationError


def parts(annotation: Any) -> Iterator[Any]:
    yield annotation
    for part in get_args(annotation):
        yield from parts(part)


def routes_of(router: Any) -> Iterator[APIRoute]:
    for route in router.routes:
        if isinstance(route, APIRoute):
            yield route
        elif hasattr(route, "original_router"):
            yield from routes_of(route.original_router)


def gather(annotation: Any, found: dict[str, type[BaseModel]]) -> None:
    for part in parts(annotation):
        if isinstance(part, type) and issubclass(part, BaseModel) and part.__name__ not in found:
            found[part.__name__] = part
            for field in part.model_fields.values():
                gather(field.annotation, found)


@pytest.fixture(scope="module")
def bodies(client) -> dict[str, type[BaseModel]]:
    """Every schema of a body of the REST service, and those within them."""
    found: dict[str, type[BaseModel]] = {}

    def look(dependant: Any) -> None:
        for parameter in dependant.body_params:
            gather(parameter.field_info.annotation, found)
        for inner in dependant.dependencies:
            look(inner)

    for route in routes_of(client.app):
        if route.path.startswith("/v1"):
            look(route.dependant)
    return found


@pytest.mark.parametrize(
    ("kinds", "wrong"),
    [({int, float}, [True, False, [True], [True] * 5]), ({bool}, [0, 1, 1.0])],
    ids=["number", "truth"],
)
def test_neither_is_taken_for_the_other(bodies, kinds, wrong):
    assert len(bodies) > 40
    tried, taken = 0, []
    for name, schema in bodies.items():
        for field, info in schema.model_fields.items():
            if not kinds & set(parts(info.annotation)) or bool in set(parts(info.annotation)) - kinds:
                continue
            kind: Any = info.annotation
            for rule in info.metadata:
                kind = Annotated[kind, rule]
            tried += 1
            for value in wrong:
                try:
                    TypeAdapter(kind).validate_python(value)
                except ValidationError:
                    continue
                taken.append(f"{name}.{field}: {value}")
    assert tried >= 5
    assert not taken


def test_text_of_a_form_is_read_as_either(bodies):
    plan = bodies["OtherPlan"].model_validate({"name": "x", "clean_joints": "true", "start_after_days": "3"})
    assert (plan.clean_joints, plan.start_after_days) == (True, 3)


def test_it_is_said_in_plain_words(client, van_case, problem_in):
    van_case["history"]["topups"][0]["rest_after_h"] = False
    (problem,) = problem_in(client.post("/v1/forecasts", json=van_case), 422)["problems"]
    assert problem["where"] == "history.topups[0].rest_after_h"
    assert problem["what"] == "False is no number."


def test_a_correction_has_the_bounds_of_what_it_corrects(client):
    schemas = client.get("/openapi.json").json()["components"]["schemas"]
    price = next(part for part in schemas["OfferChange"]["properties"]["price"]["anyOf"] if part["type"] == "number")
    assert price["minimum"] == 0
