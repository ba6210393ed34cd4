"""The card as plain text for a terminal: the same words, without a picture."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from identify.job_card.content import Card, percent

WIDTH, ROWS = 88, 8


def text(card: Card) -> str:
    """At most ``WIDTH`` columns wide."""
    blocks = [
        [f"{card.title}  {card.share}".rstrip(), *_folded([card.beneath], "  ")],
        _block("Measured", (f"{size.name}: {size.value}" for size in card.sizes if size.value)),
        _block("Not measured", card.reasons),
        _block("Replacement, most likely first", _rows(card)),
        _block("Checks answered", (f"{box.question} {box.answer}" for box in card.boxes if box.answer)),
        _block("Checks open", (box.question for box in card.boxes if not box.answer)),
        [card.origin],
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _rows(card: Card) -> Iterable[str]:
    for row in card.rows[:ROWS]:
        own = f" (own stock: {'; '.join(row.parts)})" if row.parts else ""
        yield f"{percent(row.share):>6}  {row.words}{own}"
    more = max(0, len(card.rows) - ROWS) + len(card.rest)
    if more:
        yield f"and {more} more, each less likely"


def _block(title: str, lines: Iterable[str]) -> list[str]:
    folded = _folded(lines, "  ")
    return [title, *folded] if folded else []


def _folded(lines: Iterable[str], indent: str) -> list[str]:
    return [
        part
        for line in lines
        for part in textwrap.wrap(
            line, WIDTH, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False
        )
    ]
