"""Codes that a telephone's own camera reads."""

from __future__ import annotations

from typing import Final

from markupsafe import Markup
from segno import make_qr

MODULE: Final = 6
"""Side of the smallest square of a code in the drawing's units; the page scales it."""


def code_of(text: str) -> Markup:
    """Draw a text as a QR code (ISO/IEC 18004), error correction M, with the four modules of quiet zone it asks for."""
    code = make_qr(text, error="M")
    drawn = code.svg_inline(
        scale=MODULE, border=4, light="#fff", dark="#000", omitsize=True, svgclass="code", lineclass=None
    )
    return Markup(drawn)  # noqa: S704  made here of squares alone
