"""Write the scale sheet as a PDF at true scale."""

from __future__ import annotations

from pathlib import Path

from fpdf import FPDF
from fpdf.prefs import ViewerPreferences

from identify.reference.sheet import Layout, Text, layout


def write_pdf(path: str | Path, paper: str = "a4") -> Path:
    """Write one page of vector shapes; a length in the file is the length on the paper at 100 %.

    Parameters
    ----------
    path : where to write
    paper : a4 or letter

    Raises
    ------
    UsageError : another paper.
    """
    sheet = layout(paper)
    pdf = FPDF(orientation="portrait", unit="mm", format=sheet.size_mm)
    pdf.set_auto_page_break(auto=False)
    pdf.set_margin(0)
    pdf.set_title("Scale sheet")
    pdf.set_creator("tapwright")
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")  # asks the print dialogue for actual size
    pdf.add_page()
    _shapes(pdf, sheet)
    for text in sheet.texts:
        _write(pdf, text)
    pdf.output(str(path))
    return Path(path)


def _shapes(pdf: FPDF, sheet: Layout) -> None:
    for rectangles, ink in ((sheet.black_mm, 0), (sheet.white_mm, 255)):
        pdf.set_fill_color(ink)
        for left, top, width, height in rectangles:
            pdf.rect(float(left), float(top), float(width), float(height), style="F")


def _write(pdf: FPDF, text: Text) -> None:
    pdf.set_font("helvetica", style="B" if text.bold else "", size=text.size_pt)
    pdf.set_text_color(text.grey)
    shift = pdf.get_string_width(text.words) / 2 if text.centred else 0.0
    pdf.text(text.x_mm - shift, text.y_mm, text.words)
