"""Which requests bring in files: they may be larger, and take longer, than any other."""

from __future__ import annotations

from typing import Final

from starlette.types import Scope

INBOX: Final = "/v1/inbox/"
IMPORT_PAGE: Final = "/admin/imports"


def brings_a_file(scope: Scope) -> bool:
    """Tell whether a request's body is a file to be imported."""
    path: str = scope["path"]
    return path.startswith(INBOX) if scope["method"] == "PUT" else scope["method"] == "POST" and path == IMPORT_PAGE
