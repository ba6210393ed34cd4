"""Shares and tables as the model card's Markdown has them."""

from __future__ import annotations


def percent(value: float | None, digits: int = 1) -> str:
    """A share as a percentage, or a dash."""
    return "–" if value is None else f"{100 * value:.{digits}f} %"


def table(head: list[str], rows: list[list[object]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows])
