"""Which name a request may call this service by, where whoever reaches it may do everything."""

from __future__ import annotations

from ipaddress import ip_address
from typing import Final, NamedTuple
from urllib.parse import urlsplit

from starlette.requests import Request

from service.core.translation import _

FORWARDED: Final = ("forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip")
"""What a proxy adds to what it passes on (RFC 7239; RFC 9110, 7.6.3; the rest is common practice, no source): somebody
from elsewhere asks."""


class Reached(NamedTuple):
    """Where people reach the pages.

    Attributes
    ----------
    base : str
        Scheme, name and port.
    doubt : str
        Why another device might not reach them there; empty without one.
    """

    base: str
    doubt: str


LOOPBACK_NAMES: Final = frozenset({"localhost"})


def called_by_own_name(request: Request, host: str) -> bool:
    """Tell whether a request names this machine, or the address that the service was told to listen on.

    A web page of another site can have its own name point to this machine, and then send requests with the browser of
    somebody who sits at it (DNS rebinding). Such a request names that site, in ``Host`` or in ``Origin``. And what a
    proxy passes on comes from elsewhere, whatever name it is called by.

    Parameters
    ----------
    host : str
        As in the settings.
    """
    if any(name in request.headers for name in FORWARDED):
        return False
    origin = request.headers.get("origin")
    return _is_own(f"//{request.headers.get('host', '')}", host) and (origin is None or _is_own(origin, host))


def reached_by(request: Request) -> Reached:
    """Return the address that labels, codes and private addresses carry: as set, or as the browser asked.

    What a proxy says of itself in headers is not believed: anybody can write those.
    """
    if address := request.app.state.settings.address:
        return Reached(address, "")
    base = str(request.base_url).rstrip("/")
    mend = _("Set TIDEOVER_ADDRESS to the address by which other devices reach these pages.")
    if any(name in request.headers for name in FORWARDED):
        return Reached(
            base, _("A proxy passes these pages on, so %(address)s may be wrong.") % {"address": base} + f" {mend}"
        )
    if _is_own(base, ""):
        return Reached(
            base, _("%(address)s is this machine's own: no other device can open it.") % {"address": base} + f" {mend}"
        )
    return Reached(base, "")


def _is_own(address: str, host: str) -> bool:
    try:
        name = urlsplit(address).hostname
    except ValueError:
        return False
    return name is not None and (name == host.lower() or is_this_machine(name))


def is_this_machine(name: str) -> bool:
    """Tell whether a name or an address is this machine's own (loopback)."""
    if name in LOOPBACK_NAMES:
        return True
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return False
