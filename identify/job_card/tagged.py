"""A PDF page whose text is tagged in reading order (ISO 32000-1, 14.8), so that it can be read aloud."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import MethodReturnValue
from fpdf.fonts import TTFFont

FONTS = Path(__file__).parent / "fonts"
SANS, LEADING = "sans", 1.28
MM_PER_PT = 25.4 / 72
INK, GREY, LIGHT = (17, 24, 32), (84, 92, 100), (214, 219, 224)
Ink = tuple[int, int, int]


@cache
def letters() -> frozenset[int]:
    """What the bundled font can write."""
    from fontTools.ttLib import TTFont

    with TTFont(FONTS / "sans-regular.ttf") as font:
        return frozenset(font.getBestCmap())


def writable(text: str) -> str:
    """The text with a question mark for every letter that the font lacks."""
    known = letters()
    return "".join(letter if ord(letter) in known else "?" for letter in text)


class TaggedPage(FPDF):
    """One A4 page; x, y and widths in mm from the upper left corner, sizes of letters in points."""

    def __init__(self, title: str) -> None:
        super().__init__(orientation="portrait", unit="mm", format="A4")
        self.set_auto_page_break(auto=False)
        self.set_margin(0)
        self.c_margin = 0
        self.add_font(SANS, "", FONTS / "sans-regular.ttf")
        self.add_font(SANS, "B", FONTS / "sans-bold.ttf")
        self.set_lang("en")
        self.set_title(writable(title))
        self.set_creator("tapwright")
        self.add_page()
        self._marks = 0
        self._broken: dict[tuple[str, float, float, bool], list[str]] = {}  # wrapping is what costs time

    def __enter__(self) -> TaggedPage:
        return self

    def __exit__(self, *_: object) -> None:
        for font in self.fonts.values():
            if isinstance(font, TTFFont):
                font.ttfont.close()  # its file would stay open

    @contextmanager
    def tagged(self, role: str, said: str | None = None) -> Iterator[None]:
        """What is drawn inside is one element of this role; ``said`` is read instead of a picture."""
        self._add_marked_content(struct_type=f"/{role}", mcid=self._marks, alt_text=said)
        self._out(f"/{role} <</MCID {self._marks}>> BDC")
        self._marks += 1
        yield
        self._out("EMC")

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """What is drawn inside is decoration and not read."""
        self._out("/Artifact BMC")
        yield
        self._out("EMC")

    def words(
        self,
        x: float,
        y: float,
        width: float,
        text: str,
        *,
        size: float = 9.0,
        bold: bool = False,
        ink: Ink = INK,
        role: str = "P",
        right: bool = False,
    ) -> float:
        """Write a paragraph that wraps; returns where the next one may begin."""
        lines = self._lines(text, width, size, bold)
        step = size * MM_PER_PT * LEADING
        self.set_font(SANS, "B" if bold else "", size)
        self.set_text_color(*ink)
        with self.tagged(role):
            for line in lines:
                self.set_xy(x, y)
                self.cell(width, step, line, align="R" if right else "L")
                y += step
        return y

    def height(self, width: float, text: str, *, size: float = 9.0, bold: bool = False) -> float:
        """Height that a paragraph would take."""
        return len(self._lines(text, width, size, bold)) * size * MM_PER_PT * LEADING

    def _lines(self, text: str, width: float, size: float, bold: bool) -> list[str]:
        key = (text, width, size, bold)
        if key not in self._broken:
            self.set_font(SANS, "B" if bold else "", size)
            found = self.multi_cell(width, 1, writable(text), dry_run=True, output=MethodReturnValue.LINES, align="L")
            assert isinstance(found, list)
            self._broken[key] = found
        return self._broken[key]

    def width_of(self, text: str, *, size: float = 9.0, bold: bool = False) -> float:
        """Width of one line of text."""
        self.set_font(SANS, "B" if bold else "", size)
        return float(self.get_string_width(writable(text)))

    def fitted(self, text: str, room: float, *, size: float) -> str:
        """The text, cut so that it fits on one line."""
        short = text
        while short and self.width_of(short, size=size) > room:
            short = f"{short.removesuffix('…')[:-1].rstrip()}…" if len(short) > 2 else ""
        return short

    def rule(self, x: float, y: float, width: float, *, weight: float = 0.2, ink: Ink = LIGHT) -> None:
        """A level line."""
        with self.artifact():
            self.set_draw_color(*ink)
            self.set_line_width(weight)
            self.line(x, y, x + width, y)

    def block(self, x: float, y: float, width: float, height: float, ink: Ink) -> None:
        """A filled rectangle."""
        with self.artifact():
            self.set_fill_color(*ink)
            self.rect(x, y, width, height, style="F")

    def box(self, x: float, y: float, side: float, *, ticked: bool) -> None:
        """A box to tick, or a ticked one."""
        with self.artifact():
            self.set_draw_color(*INK)
            self.set_line_width(0.3)
            self.rect(x, y, side, side)
            if ticked:
                self.set_line_width(0.55)
                self.polyline(
                    [
                        (x + side * 0.2, y + side * 0.52),
                        (x + side * 0.42, y + side * 0.76),
                        (x + side * 0.84, y + side * 0.2),
                    ]
                )
