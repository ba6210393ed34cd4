"""The columns of a stock list: their names, written as people write them, and how their cells are read."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from identify.tables import Tables
from identify.tables.rows import Quantity

PART_NUMBER, CLASS, DESCRIPTION, IN_STOCK, PRICE = "part_number", "class", "description", "quantity", "price"
THREAD = "thread"
TOLERANCE = "_tolerance"
ALIASES = {
    PART_NUMBER: (
        "part_no",
        "part",
        "partnumber",
        "sku",
        "item_number",
        "item_no",
        "article",
        "article_number",
        "part_code",
        "item_code",
        "product_code",
    ),
    CLASS: ("class_id", "kind", "type"),
    DESCRIPTION: ("name", "text"),
    IN_STOCK: ("qty", "quantity_in_stock", "in_stock", "stock", "pieces"),
    PRICE: ("unit_price",),
    THREAD: ("body_thread",),
}
NEAR = 0.88  # body_diametr is meant for body_diameter, supplier not for supply
NUMBER = r"([0-9]{1,6}(?:[.,][0-9]{1,10})?)"
UNIT = r"\s*(?:mm)?\s*"
SIZE = re.compile(rf"{NUMBER}{UNIT}(?:(?:±|\+/?-)\s*{NUMBER}{UNIT})?")
SPAN = re.compile(rf"{NUMBER}{UNIT}(?:\.\.|–|to)\s*{NUMBER}{UNIT}")


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """What may stand in a list: column names, and the words of each closed column as they are written to as meant."""

    columns: Mapping[str, str]
    words: Mapping[str, Mapping[str, str]]

    @property
    def attributes(self) -> tuple[str, ...]:
        """Names of what may be stated besides class, thread and sizes."""
        return tuple(name for name in self.words if name not in (CLASS, THREAD))

    def column(self, header: str) -> str:
        """What a column of this name holds; empty where no such column is known.

        Raises
        ------
        ValueError
            If the name is so near to a known one that it is likely meant.
        """
        name = plain(header)
        if name in self.columns:
            return self.columns[name]
        close = difflib.get_close_matches(name, list(self.columns), n=1, cutoff=NEAR)
        if close:
            raise ValueError(f"unknown column; call it {self.columns[close[0]]}, or rename it if it is something else")
        return ""

    def word(self, column: str, cell: str) -> str:
        """The meaning of a cell of a closed column.

        Raises
        ------
        ValueError
            If the cell is none of the words of the column.
        """
        known = self.words[column]
        if (meant := known.get(loose(cell))) is not None:
            return meant
        names = list(dict.fromkeys(known.values()))
        close = difflib.get_close_matches(cell, names, n=3, cutoff=0.5)
        what = f"write {' or '.join(close)}" if close else f"write one of {', '.join(names)}"
        raise ValueError(f"is no known {column.replace('_', ' ')}; {what}")


def vocabulary(tables: Tables) -> Vocabulary:
    """What the tables let a stock list say."""
    words: dict[str, dict[str, str]] = {CLASS: {}, THREAD: {loose(name): name for name in tables.threads}}
    for name, block in tables.classes.items():
        if block.part:
            words[CLASS] |= {loose(name): name, loose(block.name): name}
    for row in tables.candidates.values():
        for name, values in [*row.attributes.items(), *row.options.items()]:
            if name not in tables.quantities:
                words.setdefault(name, {}).update({loose(value): value for value in values})
    for block in tables.classes.values():
        for name, values in block.varieties.items():
            words.setdefault(name, {}).update({loose(value): value for value in values})
    columns = {plain(name): name for name in (PART_NUMBER, DESCRIPTION, IN_STOCK, PRICE, *words)}
    for name, others in ALIASES.items():
        columns |= dict.fromkeys(others, name)
    for name, quantity in tables.quantities.items():
        columns |= {plain(name): name, plain(quantity.name): name}
        columns |= dict.fromkeys((f"{name}{TOLERANCE}", f"{name}_tol"), f"{name}{TOLERANCE}")
    return Vocabulary(columns, words)


def plain(header: str) -> str:
    """A column's name without case, brackets, spaces and its unit: Body diameter (mm) is body_diameter."""
    name = re.sub(r"[^a-z0-9]+", "_", unicodedata.normalize("NFKC", header).casefold()).strip("_")
    return name.removesuffix("_mm").strip("_")


def loose(cell: str) -> str:
    """A word without case and spacing, fractions written out: ``G ½"`` is g1/2."""
    text = unicodedata.normalize("NFKC", cell).casefold().replace("\u2044", "/")
    return re.sub(r"[\s_\"″-]+", "", text)


def shown(cell: str) -> str:
    """A text that a terminal or page can show.

    Raises
    ------
    ValueError
        If it holds control characters.
    """
    if not cell.isprintable():
        raise ValueError("holds characters that can't be shown; type it anew")
    return cell


def size(cell: str, quantity: Quantity) -> tuple[float, float]:
    """Least and most that a cell states; a bare 35.2 is taken as good to half of its last digit.

    Raises
    ------
    ValueError
        If the cell is no size, or one that no part has.
    """
    if span := SPAN.fullmatch(cell):
        low, high = decimal(span[1]), decimal(span[2])
    elif one := SIZE.fullmatch(cell):
        low = high = decimal(one[1])
        half = decimal(one[2]) if one[2] else _half_digit(one[1]) if quantity.unit == "mm" else 0.0
        low, high = low - half, high + half
    else:
        unit = " in mm" if quantity.unit == "mm" else ""
        raise ValueError(f"is no {quantity.name}{unit}; write a number such as {_example(quantity)}")
    if low > high:
        raise ValueError("has its least above its most; write the smaller number first")
    if quantity.unit != "mm" and (low != int(low) or high != int(high)):
        raise ValueError(f"is no {quantity.name}: it is a count; write a whole number")
    if not quantity.low <= (low + high) / 2.0 <= quantity.high:
        raise ValueError(
            f"is no {quantity.name} between {quantity.low:g} and {quantity.high:g}; check the number and its unit"
        )
    return round(low, 6), round(high, 6)


def _half_digit(number: str) -> float:
    digits = len(re.split("[.,]", number)[1]) if re.search("[.,]", number) else 0
    return float(f"5e-{digits + 1}")


def _example(quantity: Quantity) -> str:
    return f"{round((quantity.low + quantity.high) / 2.0)}"


def tolerance(cell: str) -> float:
    """Half the width that a cell of a tolerance states: 0.3 or ±0,3.

    Raises
    ------
    ValueError
        If the cell is no such number.
    """
    match = re.fullmatch(rf"(?:±|\+/?-)?\s*{NUMBER}{UNIT}", cell)
    if not match:
        raise ValueError("is no tolerance in mm; write the half width, such as 0.3")
    return decimal(match[1])


def pieces(cell: str) -> int:
    """Pieces in stock: a whole number from 0.

    Raises
    ------
    ValueError
        If the cell is none.
    """
    match = re.fullmatch(r"([0-9]{1,9})(?:[.,]0{1,2})?", cell)
    if not match:
        raise ValueError("is no number of pieces; write a whole number from 0, without a mark for thousands")
    return int(match[1])


def price(cell: str) -> float:
    """Price of a piece, without its currency.

    Raises
    ------
    ValueError
        If the cell is no such number.
    """
    match = re.fullmatch(r"[0-9]{1,9}(?:[.,](?![0-9]{3}$)[0-9]{1,10})?", cell)
    if not match:
        raise ValueError("is no price; write a number such as 12.50, without a currency or a mark for thousands")
    return decimal(cell)


def decimal(number: str) -> float:
    """A number with a decimal point or comma."""
    return float(number.replace(",", "."))
