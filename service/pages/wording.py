"""Times and the words of the record as the pages write them."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from models.base.errors import BadInput
from models.packs.cautions import Chemistry
from service.core.dates import day_in_words
from service.core.translation import _
from service.exchange.imports.mapping import TimeReading
from service.forecasting.recheck.days import unseen_words

_NEAR: Final = timedelta(days=180)
"""Within half a year a day and its month name one day only."""


def near_day(moment: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Write the local day of a moment, its year only where it is not clear: ``Sat 14 Mar``."""
    words = day_in_words(moment, zone)
    return words.rpartition(" ")[0] if abs(moment - now) < _NEAR else words


def near_moment(moment: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Write a moment as `near_day` writes its day, with the hour: ``Sat 14 Mar, 09:00``."""
    return f"{near_day(moment, now, zone)}, {moment.astimezone(zone):%H:%M}"


def unread(since: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Say that a promise is used up: since when nothing was entered, or that what was promises nothing."""
    return unseen_words(since, now, near_day(since, now, zone))


def for_input(moment: datetime, zone: ZoneInfo) -> str:
    """Write a moment as the browser's field for a local time takes it."""
    return f"{moment.astimezone(zone):%Y-%m-%dT%H:%M}"


def moment_from(where: str, text: str, zone: ZoneInfo) -> datetime:
    """Read a local time from a form.

    Raises
    ------
    BadInput
        It is no time, or one that the clocks skipped or showed twice.
    """
    try:
        return TimeReading(zone=zone.key).moment(text.strip())
    except ValueError as error:
        what = _("%(text)s cannot be read as a time: %(reason)s.") % {"text": repr(text), "reason": str(error)}
        raise BadInput.one(where, what, _("Write it as 2026-03-14 09:30, or add the zone as +01:00.")) from None


def chemistry_words() -> dict[Chemistry, str]:
    """Return the chemistries in words."""
    return {"nimh": _("nickel-metal hydride"), "lithium-ion": _("lithium-ion")}


def state_words() -> dict[str, str]:
    """Return the states of a pack in words."""
    return {"rest": _("at rest"), "discharge": _("under load"), "charge": _("while charging")}


def outcome_words() -> dict[str, str]:
    """Return what becomes of a top-up in words."""
    return {
        "returned": _("The fault came back"),
        "replaced": _("The pack was replaced before the fault came back"),
        "retired": _("The vehicle was taken out of use"),
        "running": _("Still running when last seen"),
    }


def found_words() -> dict[str, str]:
    """Return what may be found in a pack once it is open."""
    return {
        "": _("Nobody looked"),
        "leak": _("A leak: it loses charge by itself"),
        "fade": _("Lost capacity"),
        "neglect": _("No defect, only out of balance"),
        "joint": _("A bad joint, or too much resistance"),
    }


def metered_words() -> dict[str, str]:
    """Return where the voltage at the end of a charge may be metered."""
    return {"": _("Not noted"), "block": _("On the block's own terminals"), "supply": _("At the supply")}


def inspected_words() -> dict[str, str]:
    """Return what somebody may have seen who looked a pack over."""
    return {
        "": _("Nobody looked it over"),
        "sound": _("Nothing shows: no swelling, leak or heat"),
        "cells": _("Nothing shows, and each cell in doubt was measured: none is bad"),
        "insulation": _("Nothing shows, and the insulation was measured: it holds"),
        "label": _("The label was read: its cells are those of this kind of pack"),
        "damaged": _("Swelling, a leak, heat or other damage"),
    }


def code_state_words() -> dict[str, str]:
    """Return how a trouble code may be stored."""
    return {
        "": _("Nobody looked for a code"),
        "none": _("No code is stored"),
        "pending": _("Pending"),
        "confirmed": _("Confirmed"),
        "permanent": _("Permanent"),
    }


def charged_words() -> dict[str, str]:
    """Return what of a block may be charged."""
    return {"": _("The whole block"), "module": _("One module of it")}


def also_done_words() -> dict[str, str]:
    """Return what else may be done to a pack at a top-up."""
    return {
        "": _("Nothing else"),
        "module-swapped": _("A module was swapped"),
        "bars-cleaned": _("The bars were cleaned"),
        "pack-reconditioned": _("The whole pack was reconditioned"),
    }
