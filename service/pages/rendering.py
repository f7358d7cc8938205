"""One way to make a page: a template, what every page knows, and the cookies that go with it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib.metadata import version
from typing import Any, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from models.base import counts
from models.base.percents import level_percent, percent, risk_percent
from service.access.callers import ANYONE, Caller
from service.access.roles import MAY
from service.access.visits import form_token, keep
from service.core.dates import dated, day_in_words, in_words, month_in_words
from service.core.translation import LANGUAGE, _, ngettext, spoken
from service.forecasting.forecasts.sentences import about_days, count_days, kind_words, lead_of, promised
from service.pages.assets import assets
from service.pages.messages import COOKIE as MESSAGE_COOKIE
from service.pages.messages import Message, send_message, take_message
from service.pages.wording import for_input, near_day, near_moment, outcome_words, state_words, unread

LOOK_COOKIE: Final = "tideover_look"
LOOKS: Final = ("light", "dark")


@cache
def environment() -> Environment:
    """Return the templates. Text is escaped, and a name that nobody gave is an error rather than a gap."""
    env = Environment(
        loader=PackageLoader("service.pages"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        extensions=["jinja2.ext.i18n", "jinja2.ext.do"],
        auto_reload=False,  # they do not change under a service that runs; to look took a call for every part of a page
        finalize=spoken,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.install_gettext_callables(_, ngettext, newstyle=True)  # type: ignore[attr-defined]
    env.globals |= {"asset": lambda name: assets().address(name), "version": version("tideover"), "language": LANGUAGE}
    env.globals["counts"] = counts
    env.globals["known_operations"] = lambda: MAY
    env.globals |= {"kind_words": kind_words, "outcome_words": outcome_words, "state_words": state_words}
    env.filters |= {
        "about_days": about_days,
        "count_days": count_days,
        "promised": promised,
        "percent": lambda *share: _(percent(*share)),
        "level_percent": lambda level: _(level_percent(level)),
        "risk_percent": lambda chance: _(risk_percent(chance)),
        "capitalize_first": lambda text: text[:1].upper() + text[1:],
        "splitlines": str.splitlines,
        "grouped": lambda number: f"{number:,}" if isinstance(number, int) else number,
        "month_in_words": month_in_words,
        "zip": lambda one, other: list(zip(one, other, strict=True)),
    }
    return env


def zone_of(request: Request) -> ZoneInfo:
    """Return the zone of the times on the pages."""
    return ZoneInfo(request.app.state.settings.time_zone)


def may(request: Request, operation: str) -> bool:
    """Tell whether whoever is looking may do something, by the one table of roles."""
    caller: Caller | None = getattr(request.state, "caller", None)
    return caller is not None and caller.role in MAY[operation]


def render(
    request: Request, template: str, *, status: int = 200, headers: Mapping[str, str] | None = None, **context: Any
) -> Response:
    """Make a page.

    Parameters
    ----------
    template : str
        Its path under ``templates``; it extends ``base.html``.
    **context
        What the template names. Besides that every template knows `request`, `path`, `caller` (None if nobody signed
        in), `signed_in`, `message`, `now`, `zone`, `look`, `form_token`, the functions ``may(operation)``,
        ``local(moment)``, ``local_day(moment)``, ``near_day(moment)``, ``near_moment(moment)``, ``unread(since)``,
        ``lead_now(forecast)``, ``for_input(moment)`` and ``dated(sentence)``, and the filters ``about_days``,
        ``count_days``, ``promised``, ``percent``, ``level_percent`` and ``risk_percent``.
    """
    zone = zone_of(request)
    visit = getattr(request.state, "visit", None)
    caller: Caller | None = getattr(request.state, "caller", None)
    message = take_message(request)
    look = request.cookies.get(LOOK_COOKIE)
    text = environment().get_template(template).render(
        request=request,
        path=quote(request.scope["path"]),
        caller=caller,
        signed_in=visit is not None and visit.key_id is not None and caller is not None and caller.name != ANYONE,
        message=message,
        now=request.app.state.clock(),
        zone=zone,
        look=look if look in LOOKS else "",
        form_token="" if visit is None else form_token(request),
        may=lambda operation: may(request, operation),
        local=lambda moment: in_words(moment, zone),
        local_day=lambda moment: day_in_words(moment, zone),
        lead_now=lambda figures: lead_of(figures, request.app.state.clock()),
        near_moment=lambda moment: near_moment(moment, request.app.state.clock(), zone),
        near_day=lambda moment: near_day(moment, request.app.state.clock(), zone),
        unread=lambda since: unread(since, request.app.state.clock(), zone),
        for_input=lambda moment: for_input(moment, zone),
        dated=lambda text: dated(spoken(text), zone),
        **context,
    )  # fmt: skip
    # Before an element a line's indentation is no more than a blank.
    response = HTMLResponse(re.sub(r"\n\s+<", "\n<", text), status, headers)
    if visit is not None and visit.fresh:
        keep(response, request, visit)
    if message is not None:
        response.delete_cookie(MESSAGE_COOKIE, httponly=True, samesite="strict")
    return response


def go_to(request: Request, address: str, message: Message | None = None) -> Response:
    """Send the browser on to a page after a form, with a message to show there."""
    response = RedirectResponse(address, 303)
    if message is not None:
        send_message(response, request, message)
    return response
