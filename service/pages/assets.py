"""Style, scripts and pictures of the pages, under an address that changes with their content."""

from __future__ import annotations

import gzip
import hashlib
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from fastapi import HTTPException, Request
from starlette.responses import Response

from service.pages.forms import page_router

FOLDER: Final = Path(__file__).parent / "assets"
KINDS: Final = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
LEFT_OUT: Final = {
    ".css": re.compile(
        r"/\*.*?\*/|;(?=\s*\})|(?<=[{};,:])[ ]+|[ ]+(?=[{}])|^[ ]+|\n(?=[ \n}])|(?<=[{;])\n", re.DOTALL | re.MULTILINE
    ),
    ".js": re.compile(r"^[ ]*//.*\n|^[ ]+", re.MULTILINE),
}
"""Comments and indentation: a telephone on a slow line does without."""

FOREVER: Final = "public, max-age=31536000, immutable"

router = page_router()


@dataclass(frozen=True)
class Assets:
    """All files of the folder, read once.

    Attributes
    ----------
    digest : str
        Of all of them: it stands in their address, so that a browser may keep them for good and yet never shows a page
        with yesterday's style. One for all, so that a module can import its neighbour by name.
    files : dict of str to (plain, gzipped)
    """

    digest: str
    files: dict[str, tuple[bytes, bytes]]

    def address(self, name: str) -> str:
        """Return the address of a file; `KeyError` if there is none of that name."""
        self.files[name]
        return f"/static/{self.digest}/{name}"


@cache
def assets() -> Assets:
    """Read the folder."""
    plain = {path.name: _lean(path) for path in sorted(FOLDER.iterdir()) if path.suffix in KINDS}
    digest = hashlib.sha256()
    for name, content in plain.items():
        digest.update(f"{name} {len(content)} ".encode() + content)
    packed = {name: (content, gzip.compress(content, mtime=0)) for name, content in plain.items()}
    return Assets(digest.hexdigest()[:16], packed)


def _lean(path: Path) -> bytes:
    text = path.read_text(encoding="utf-8")
    return (LEFT_OUT[path.suffix].sub("", text) if path.suffix in LEFT_OUT else text).encode()


@router.get("/static/{digest}/{name}", operation_id="page_asset")
def read_asset(digest: str, name: str, request: Request) -> Response:
    """Send a file."""
    found = assets().files.get(name) if digest == assets().digest else None
    if found is None:
        raise HTTPException(404)
    plain, packed = found
    zips = "gzip" in request.headers.get("accept-encoding", "")
    headers = {"Cache-Control": FOREVER, "Vary": "Accept-Encoding", **({"Content-Encoding": "gzip"} if zips else {})}
    return Response(packed if zips else plain, 200, headers, KINDS[Path(name).suffix])
