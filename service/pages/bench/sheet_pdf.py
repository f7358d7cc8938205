"""The release sheet as a PDF of one A4 page, with real text."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

import matplotlib as mpl
from fpdf import FPDF
from fpdf.enums import XPos, YPos

from service.core.translation import _
from service.pages.bench.curve import Curve
from service.pages.bench.sheet_content import ReleaseSheet

MARGIN: Final = 12.0
WIDTH: Final = 210.0 - 2 * MARGIN
GAP: Final = 6.0
FONT: Final = "DejaVu"
"""Comes with matplotlib, free to embed, and knows far more letters than the fonts that every PDF reader has."""

LINE: Final = 0.43
"""Height of a line in mm for each point of type."""


class _Sheet(FPDF):
    """A page with the few things that the sheet is made of. Lengths in mm."""

    def __init__(self) -> None:
        super().__init__(format="A4")
        self.set_auto_page_break(False)
        self.set_margin(MARGIN)
        fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
        self.add_font(FONT, "", fonts / "DejaVuSans.ttf")
        self.add_font(FONT, "B", fonts / "DejaVuSans-Bold.ttf")
        self.add_page()

    def say(self, text: str, size: float, *, bold: bool = False, x: float = MARGIN, width: float = WIDTH) -> None:
        """Write a paragraph and go below it."""
        self.set_font(FONT, "B" if bold else "", size)
        self.set_x(x)
        self.multi_cell(width, size * LINE, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def to_sign(self, words: str, blanks: Sequence[tuple[str, float]]) -> None:
        """Write what is to be confirmed, and lines to fill in under it: their words and widths."""
        y = self.get_y()
        self.rect(MARGIN, y + 0.6, 3.2, 3.2)
        self.say(words, 8, bold=True, x=MARGIN + 5, width=WIDTH - 5)
        y = self.get_y() + 5.5
        x = MARGIN + 5
        self.set_font(FONT, "", 7)
        for label, width in blanks:
            self.set_xy(x, y - 3.2)
            own = self.get_string_width(label) + 2
            self.cell(own, 3.2, label)
            self.line(x + own, y, x + width - 3, y)
            x += width
        self.set_xy(MARGIN, y + 1.6)

    def heading(self, text: str, x: float = MARGIN, width: float = WIDTH) -> None:
        """Write a heading."""
        self.say(text, 10, bold=True, x=x, width=width)
        self.set_y(self.get_y() + 0.6)


def sheet_pdf(sheet: ReleaseSheet, made: datetime) -> bytes:
    """Draw a release sheet."""
    pdf = _Sheet()
    pdf.set_creation_date(made)
    pdf.set_title(_("Release sheet %(name)s") % {"name": sheet.name})
    pdf.set_lang("en")
    _head(pdf, sheet)
    _cautions(pdf, sheet)
    top = pdf.get_y() + 3
    half = (WIDTH - GAP) / 2
    pdf.set_y(top)
    _facts(pdf, sheet, half)
    left = pdf.get_y()
    pdf.set_y(top)
    _forecast(pdf, sheet, MARGIN + half + GAP, half)
    pdf.set_y(max(left, pdf.get_y()) + 3)
    _to_sign(pdf)
    _owner(pdf, sheet)
    return bytes(pdf.output())


def _head(pdf: _Sheet, sheet: ReleaseSheet) -> None:
    pdf.say(_("Release sheet %(name)s") % {"name": sheet.name}, 15, bold=True)
    told = _(
        "Pack %(pack)s (%(family)s). Forecast %(number)s, made on %(issued)s, model %(model)s. Days count "
        "from %(from)s."
    )
    pdf.say(
        told
        % {
            "pack": sheet.pack_id,
            "family": sheet.family,
            "number": sheet.number,
            "issued": sheet.issued,
            "model": sheet.model_id,
            "from": sheet.counted_from,
        },
        7.5,
    )


def _cautions(pdf: _Sheet, sheet: ReleaseSheet) -> None:
    top = pdf.get_y() + 2
    pdf.set_y(top + 1.5)
    pdf.say(_("Cautions"), 9, bold=True, x=MARGIN + 4, width=WIDTH - 6)
    for text in sheet.cautions:
        pdf.say(f"• {text}", 7, x=MARGIN + 4, width=WIDTH - 6)
    bottom = pdf.get_y() + 1.5
    pdf.set_line_width(0.8)
    pdf.rect(MARGIN, top, WIDTH, bottom - top)
    pdf.set_y(bottom)


def _facts(pdf: _Sheet, sheet: ReleaseSheet, width: float) -> None:
    pdf.heading(_("Measured and charged"), width=width)
    if not sheet.facts:
        pdf.say(_("Nothing is recorded."), 8, width=width)
    for fact in sheet.facts:
        pdf.say(fact.what, 8, bold=True, width=width)
        pdf.say(", ".join(filter(None, (fact.when, fact.figures))), 7.5, width=width)
        pdf.set_y(pdf.get_y() + 0.8)
    pdf.set_y(pdf.get_y() + 1.5)
    pdf.heading(_("Recheck"), width=width)
    pdf.say(sheet.recheck, 8, width=width)
    _recheck_table(pdf, sheet, width)


def _recheck_table(pdf: _Sheet, sheet: ReleaseSheet, width: float) -> None:
    if not sheet.recheck_rows:
        return
    shares = (0.38, 0.32, 0.3)
    heads = (_("Topped block against the middle one of all (median)"), _("then good for"), _("back in two weeks"))
    rows = [heads, *((row.reads, row.good_for, row.fortnight) for row in sheet.recheck_rows)]
    pdf.set_y(pdf.get_y() + 0.8)
    for place, cells in enumerate(rows):
        y, bottom, x = pdf.get_y(), 0.0, MARGIN
        for text, share in zip(cells, shares, strict=True):
            pdf.set_y(y)
            pdf.say(text, 7.2, bold=place == 0, x=x, width=width * share)
            bottom = max(bottom, pdf.get_y())
            x += width * share
        pdf.set_line_width(0.25 if place == 0 else 0.1)
        pdf.line(MARGIN, bottom + 0.3, MARGIN + width, bottom + 0.3)
        pdf.set_y(bottom + 0.6)


def _forecast(pdf: _Sheet, sheet: ReleaseSheet, x: float, width: float) -> None:
    pdf.heading(_("The forecast"), x=x, width=width)
    for sentence in sheet.sentences:
        pdf.say(sentence, 8.5, x=x, width=width)
    pdf.set_y(pdf.get_y() + 1)
    for words in sheet.promises:
        pdf.say(words, 7.5, x=x, width=width)
    _curve(pdf, sheet.curve, x, pdf.get_y() + 1, width)


def _curve(pdf: _Sheet, curve: Curve, x: float, y: float, width: float) -> None:
    scale = width / curve.width
    height = 0.6

    def at(point: str) -> tuple[float, float]:
        across, down = map(float, point.split(","))
        return x + across * scale, y + down * scale * height

    pdf.set_line_width(0.1)
    pdf.set_draw_color(170)
    for down, _share in curve.shares:
        pdf.line(*at(f"{curve.left},{down}"), *at(f"{curve.right},{down}"))
    pdf.set_fill_color(215)
    pdf.polygon([at(p) for p in curve.band.split()], style="F")
    pdf.set_draw_color(0)
    pdf.set_line_width(0.5)
    pdf.polyline([at(p) for p in curve.line.split()])
    pdf.set_font(FONT, "", 6)
    for mark in curve.marks:
        pdf.set_line_width(0.25)
        pdf.set_dash_pattern(*((0, 0) if mark.kind == "today" else (1.2, 0.8)))
        pdf.line(*at(f"{mark.x},{mark.row_y + 4}"), *at(f"{mark.x},{curve.bottom}"))
        pdf.set_dash_pattern()
        across, down = at(f"{mark.x},{mark.row_y}")
        left = across + 0.8 if mark.anchor == "start" else across - 0.8 - pdf.get_string_width(mark.words)
        pdf.text(left, down, mark.words)
    for down, share in curve.shares:
        words = f"{share}%"
        across, low = at(f"{curve.left - 4},{down + 4}")
        pdf.text(across - pdf.get_string_width(words), low, words)
    for across, day in curve.days:
        left, low = at(f"{across},{curve.bottom + 16}")
        pdf.text(left - pdf.get_string_width(str(day)) / 2, low, str(day))
    right, low = at(f"{curve.right},{curve.bottom + 34}")
    words = f"{curve.title}; {curve.from_words}"
    pdf.text(right - pdf.get_string_width(words), low, words)
    pdf.set_y(y + curve.height * scale * height)


def _to_sign(pdf: _Sheet) -> None:
    pdf.heading(_("To be signed at the bench"))
    pdf.to_sign(
        _("Gloves: air test and look over, before use"),
        ((_("Class"), 28), (_("Retest due"), 42), (_("Time"), 34), (_("Signature"), 77)),
    )
    pdf.to_sign(
        _("Absence of voltage, meter proved on a known source before and after"),
        ((_("+ to −, V"), 34), (_("+ to body, V"), 36), (_("− to body, V"), 36), (_("Time"), 26), (_("Signature"), 49)),
    )
    pdf.to_sign(_("Pack lifted by two"), ((_("Signature"), 90), (_("Signature"), 91)))
    pdf.to_sign(
        _("Released by a licensed technician, under local rules and the maker's service instructions"),
        ((_("Day and time"), 60), (_("Odometer, km"), 44), (_("Signature"), 77)),
    )


def _owner(pdf: _Sheet, sheet: ReleaseSheet) -> None:
    y = max(pdf.get_y() + 3, 232)
    pdf.set_line_width(0.2)
    pdf.set_dash_pattern(2, 1.5)
    pdf.line(0, y, 210, y)
    pdf.set_dash_pattern()
    pdf.set_y(y + 3)
    pdf.say(_("For the owner of %(name)s") % {"name": sheet.name}, 12, bold=True)
    for text in sheet.owner:
        pdf.say(f"• {text}", 9.5)
    pdf.set_y(pdf.get_y() + 6)
    pdf.set_font(FONT, "", 8)
    y = pdf.get_y()
    x = MARGIN
    for words, width in ((_("Recovery: who, and the number"), 110.0), (_("Agreed, signature"), WIDTH - 110.0)):
        pdf.set_xy(x, y - 3.5)
        own = pdf.get_string_width(words) + 2
        pdf.cell(own, 3.5, words)
        pdf.line(x + own, y, x + width - 3, y)
        x += width
    y += 6.5
    pdf.set_xy(MARGIN, y - 3.5)
    pdf.cell(110, 3.5, sheet.given_out)
    words = f"{_('Workshop')} {sheet.workshop}".strip()
    own = pdf.get_string_width(words) + 2
    pdf.cell(own, 3.5, words)
    if not sheet.workshop:
        pdf.line(MARGIN + 110 + own, y, MARGIN + WIDTH - 3, y)
