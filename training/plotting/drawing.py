"""Drawings as inline SVG that take their colours and letters from the page they stand on."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Stand-ins that the page's colours replace, so that one drawing serves dark, light and paper.
INK, SOFT, MARK, BAND, OTHER = "#010101", "#020202", "#030303", "#040404", "#050505"
_ON_PAGE: Final = {
    INK: "var(--ink)",
    SOFT: "var(--soft)",
    MARK: "var(--mark)",
    BAND: "var(--band)",
    OTHER: "var(--other)",
}


def canvas(width_in: float, height_in: float) -> tuple[Figure, Axes]:
    """Make a figure with one plain pair of axes, of this size in inches."""
    # Half a second to load, and most of those who load this module never draw.
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasSVG(figure)
    figure.patch.set_alpha(0)
    axes = figure.add_subplot()
    axes.patch.set_alpha(0)
    axes.tick_params(colors=INK, labelsize=8)
    axes.xaxis.label.set_color(INK)
    axes.yaxis.label.set_color(INK)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_color(SOFT)
    return figure, axes


def svg(figure: Figure, name: str, title: str) -> str:
    """Write a figure as inline SVG; `name` is unique on its page, `title` is read out to those who cannot see it."""
    import matplotlib as mpl

    buffer = io.StringIO()
    # Letters stay letters (searchable, in the page's own face), and equal figures give equal text.
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", text)
    text = text.replace("xlink:href=", "href=")
    # Several drawings share one page: names inside each must be its own.
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    text = re.sub(r"font: ([\d.]+)px [^;\"]*", r"font-size: \1px", text)
    for stand_in, colour in _ON_PAGE.items():
        text = text.replace(stand_in, colour)
    width = re.search(r'width="([\d.]+)pt"', text)
    limit = f"max-width:{float(width.group(1)) * 96 / 72:.0f}px" if width else ""
    text = re.sub(r'\s(width|height)="[\d.]+pt"', "", text)
    return text.replace("<svg", f'<svg role="img" aria-label="{title}" style="{limit}"', 1).strip()
