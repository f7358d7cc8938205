"""Which addresses are pages: what goes wrong there is told as a page, and a cookie says who asks."""

from __future__ import annotations

from typing import Final

from starlette.datastructures import Headers
from starlette.types import Scope

ROOMS: Final = frozenset(
    {
        "bench",
        "parts",
        "fleet",
        "record",
        "admin",
        "sign-in",
        "sign-out",
        "look",
        "undo",
        "static",
        "calendar",
        "device",
        "docs",
    }
)
"""First parts of the addresses of pages; `/` is one too."""

OPEN: Final = frozenset({"sign-in", "sign-out", "look", "static", "calendar", "docs"})
"""Those that anybody may open: they tell nothing about packs, but for the calendar, whose address holds a secret."""


FOR_PROGRAMS: Final = frozenset({"v1", "healthz", "readyz", "metrics", "openapi.json"})
"""First parts of the addresses that programs ask; whatever goes wrong there is a problem document to everybody."""


def is_page(path: str) -> bool:
    """Tell whether an address belongs to the pages."""
    return path == "/" or _room(path) in ROOMS


def answers_a_page(scope: Scope) -> bool:
    """Tell whether a request gets a page: at a page's address, and at one that nobody has if a browser asks."""
    path: str = scope["path"]
    if is_page(path) or _room(path) in FOR_PROGRAMS:
        return is_page(path)
    return "text/html" in Headers(scope=scope).get("accept", "")


def is_open_page(path: str) -> bool:
    """Tell whether an address can be opened without signing in."""
    return _room(path) in OPEN


def _room(path: str) -> str:
    return path.split("/", 2)[1] if path.startswith("/") else ""


def own_address(text: str | None) -> str:
    """Return an address of a page of ours that somebody sent in, or `/`: never one of another host."""
    if text is None or not text.startswith("/") or text.startswith(("//", "/\\")) or not text.isprintable():
        return "/"
    path = text.partition("?")[0].partition("#")[0]
    return text if is_page(path) and not is_open_page(path) else "/"
