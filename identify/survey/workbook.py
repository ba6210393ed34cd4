"""Tables as an XLSX workbook: to be read on a screen, filtered, and printed on A4; no cell is a formula."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, BinaryIO

from identify.survey.sheet import PICTURE_PX, Cell, Picture, Sheet, plain

WIDEST, WIDEST_ON_SCREEN, NARROWEST = 28, 60, 6  # columns, in letters
PAGE = 130  # letters of readable print over the width of a page
FILTER_LETTERS = 3  # room for the filter's arrow in the head
LINE_PX, EDGE_PX, MOST_LINES = 17, 4, 20  # of a row; a spreadsheet's row is no higher than 409 points
A4 = 9  # ECMA-376 part 1, 18.3.1.63: paperSize
HEAD = {"bold": True, "text_wrap": True, "valign": "vcenter", "bg_color": "#DCE6F1", "bottom": 1}
BODY = {"text_wrap": True, "valign": "top", "bottom": 4, "bottom_color": "#BFBFBF"}
NUMBER = {**BODY, "align": "center"}
FLAG = {**BODY, "bold": True, "bg_color": "#FFF2CC"}


def save(file: Path | BinaryIO, sheets: Sequence[Sheet], picture: Picture | None = None) -> None:
    """Write the workbook row by row, so that its rows are never all in memory.

    Parameters
    ----------
    picture : hangs a small picture at the end of each row of the first sheet.
    """
    import xlsxwriter

    name = str(file) if isinstance(file, Path) else file
    settings = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(name, settings | {"strings_to_numbers": False}) as book:
        for number, sheet in enumerate(sheets):
            _fill(book, sheet, picture if number == 0 else None)


def _fill(book: Any, sheet: Sheet, picture: Picture | None) -> None:
    page = book.add_worksheet(sheet.name)
    formats = [book.add_format(_format(sheet, name)) for name in sheet.heads]
    head, blank, widths = book.add_format(HEAD), book.add_format(BODY), _widths(sheet)
    for column, letters in enumerate(widths):
        page.set_column(column, column, letters)
    _lay_out(page, sheet, picture is not None)
    page.set_row_pixels(0, 2 * LINE_PX + EDGE_PX)
    shown = sheet.printed or len(sheet.heads)  # the others are cut rather than that they make the rows high
    page.write_row(0, 0, sheet.heads, head)
    if picture is not None:
        page.write_string(0, len(sheet.heads), "picture", head)
        page.set_column_pixels(len(sheet.heads), len(sheet.heads), PICTURE_PX + 8)
    for line, row in enumerate(sheet.rows, start=1):
        small = picture(line - 1) if picture is not None else None
        high = EDGE_PX + LINE_PX * min(MOST_LINES, max(map(_lines, row[:shown], widths)))
        page.set_row_pixels(line, max(high, PICTURE_PX + 8) if small is not None else high)
        _write(page, line, row, formats, blank)
        if small is not None:
            place = {"image_data": io.BytesIO(small), "x_offset": 4, "y_offset": 4, "object_position": 2}
            page.insert_image(line, len(sheet.heads), "photo.jpg", place)


def _format(sheet: Sheet, name: str) -> dict[str, object]:
    if name == sheet.flag:
        return FLAG
    if name in sheet.shares:
        return {**NUMBER, "num_format": "0%"}
    return NUMBER if name in sheet.numbers else BODY


def _lines(cell: Cell, letters: int) -> int:
    """How many lines a cell takes: words are not broken, so a line holds a little less than its letters."""
    text = str(cell)
    return 1 if len(text) <= letters else math.ceil(1.1 * len(text) / letters)


def _write(page: Any, line: int, row: Iterable[Cell], formats: Sequence[Any], blank: Any) -> None:
    for column, cell in enumerate(row):
        if cell == "":
            page.write_blank(line, column, None, blank)
        elif isinstance(cell, str):
            page.write_string(line, column, plain(cell), formats[column])
        else:
            page.write_number(line, column, cell, formats[column])


def _lay_out(page: Any, sheet: Sheet, with_pictures: bool) -> None:
    """The head stays in view and on every printed page; one page wide."""
    last = len(sheet.heads) - 1
    page.freeze_panes(1, 0)
    page.autofilter(0, 0, max(1, len(sheet.rows)), last)
    page.repeat_rows(0)
    page.set_landscape()
    page.set_paper(A4)
    page.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)  # inches
    page.fit_to_pages(1, 0)
    page.set_footer("&L&A&R&P / &N")
    if not with_pictures:  # they hang beyond the last column
        page.print_area(0, 0, len(sheet.rows), (sheet.printed or last + 1) - 1)


def _widths(sheet: Sheet) -> list[int]:
    """Of each column, in letters: as wide as its longest line, within limits."""
    longest = [max(len(word) for word in head.split()) + FILTER_LETTERS for head in sheet.heads]
    for row in sheet.rows:
        for column, cell in enumerate(row):
            longest[column] = max(longest[column], len(str(cell)) + 2)
    shown = sheet.printed or len(sheet.heads)
    widest = max(WIDEST, PAGE // shown)
    return [
        min(widest if column < shown else WIDEST_ON_SCREEN, max(NARROWEST, letters))
        for column, letters in enumerate(longest)
    ]
