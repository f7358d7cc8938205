"""The page to find a unit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Final
from urllib.parse import quote, urlencode

from fastapi import Path, Request
from starlette.responses import Response

from models.base import counts
from models.packs.family import PackFamily
from service.core.cautions import at_the_pack, shared_chemistry
from service.core.translation import _
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.finding import exactly, find_units, how_many, lately, pack_in, whole_number
from service.pages.forms import page_router
from service.pages.rendering import go_to, render
from service.pages.sorting import in_order, sorting_of
from service.pages.wording import chemistry_words

LONGEST: Final = 64

VehicleName = Annotated[str, Path(max_length=LONGEST)]

ORDERS: Final = {"last_fact": True, "good_until": False, "name": False}
"""What units are sorted by, and whether each begins with the highest; the usual one first."""

router = page_router()


@router.get("/bench", operation_id="page_bench")
def show_bench(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Find a unit, or see those worked on lately."""
    words, after = (_asked(request, name) for name in ("unit", "after"))
    with store.reading() as session:
        if words and not after and (pack_id := exactly(session, words)) is not None:
            return go_to(request, unit_address(pack_id))
        units, last = (
            find_units(session, words, after, families) if words or after else (lately(session, families), None)
        )
        in_all = how_many(session)
    # A page of many is in the order of its numbers, else the next page would not follow from it.
    sorting = None if last or after or len(units) < 2 else sorting_of(request, "/bench", ORDERS, _kept(words))
    if sorting is not None and not (sorting.usual and not words):
        units = list(in_order(units, sorting, lambda unit, column: getattr(unit, column)))
    if words and (sorting is None or sorting.usual):
        units.sort(key=lambda unit: not (whole_number(words, unit.name) or whole_number(words, unit.pack_id)))
    following = f"/bench?{urlencode({'unit': words, 'after': last})}" if last else ""
    return render(
        request,
        "bench/units.html",
        units=units,
        in_all=in_all,
        became_words={
            "returned": _("the fault came back"),
            "replaced": _("replaced"),
            "retired": _("taken out of use"),
        },
        words=words,
        following=following,
        sorting=sorting,
        cautions=at_the_pack(shared_chemistry(families, {unit.family for unit in units})),
    )


@router.get("/bench/vehicles/{vehicle_id}", operation_id="page_vehicle")
def show_vehicle(vehicle_id: VehicleName, request: Request, store: CurrentStore) -> Response:
    """Go on to the pack that sits in a vehicle now: a label in a car outlives its packs."""
    with store.reading() as session:
        pack_id = pack_in(session, vehicle_id)
    return go_to(request, unit_address(pack_id) if pack_id is not None else f"/bench?{urlencode({'unit': vehicle_id})}")


def vehicle_address(vehicle_id: str) -> str:
    """Return the address that leads to whichever pack sits in a vehicle."""
    return f"/bench/vehicles/{quote(vehicle_id, safe='')}"


def _kept(words: str) -> dict[str, str]:
    return {"unit": words} if words else {}


def _asked(request: Request, name: str) -> str:
    """Return what is sought, without the one sign that PostgreSQL takes in no text."""
    return request.query_params.get(name, "").replace("\x00", "").strip()[:LONGEST]


def unit_address(pack_id: str) -> str:
    """Return the address of a unit's page."""
    return f"/bench/units/{quote(pack_id, safe='')}"


def family_choices(families: Mapping[str, PackFamily]) -> list[tuple[str, str]]:
    """Return the families as a form offers them, with what tells them apart."""
    return [
        (
            name,
            _("%(name)s: %(blocks)s of %(cells)s, %(ah)s Ah, %(chemistry)s")
            % {
                "name": name,
                "blocks": _(counts.blocks(family.blocks)),
                "cells": _(counts.cells(family.cells_per_block)),
                "ah": f"{family.rated_ah:g}",
                "chemistry": chemistry_words()[family.chemistry],
            },
        )
        for name, family in sorted(families.items())
    ]
