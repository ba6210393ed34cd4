"""The figures of the records as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Json = Mapping[str, Any]
LABEL = 46


def text(figures: Json) -> str:
    """A line a figure: counts, share, and its 95 % interval."""
    if not figures["confirmed"]:
        kept = _counted(figures["cases"])
        return f"{kept} kept, none confirmed yet; tapwright records confirm ID says what was handed out."
    lines = [f"{_counted(figures['cases'])} kept, {figures['confirmed']} confirmed. In brackets: 95 % interval.", ""]
    said, orders, rows = figures["class"], figures["orders"], figures["candidates"]
    lines += [
        _share("Class named right, where one was named", said["right"]),
        _share("Answered unsure", said["unsure"]),
        _share("Right class in the prediction set", said["in_set"]),
        _share("Wrong orders, where it is known", orders["wrong"]),
        _share("What was handed out stood first", rows["first"]),
        _share("What was handed out stood in the first three", rows["first_three"]),
        _share("Callipers' reading within the photo's ±", figures["u95"]["all"]),
    ]
    for quantity, held in figures["u95"]["quantities"].items():
        off = f", off by {held['median_off'] * 100:.1f} % in the median"
        lines.append(_share(f"  {quantity.replace('_', ' ')}", held) + off)
    if figures["classes"]:
        lines += ["", "By the right class"]
    for name, row in figures["classes"].items():
        wrong = ", ".join(f"{count} taken for {other}" for other, count in row["taken_for"].items())
        unsure = f"{row['unsure']} unsure" if row["unsure"] else ""
        more = "; ".join(part for part in (wrong, unsure) if part)
        lines.append(_share(f"  {name}", row["right"]) + (f"; {more}" if more else ""))
    return "\n".join(lines)


def _share(label: str, share: Json) -> str:
    if not share["of"]:
        return f"{label:<{LABEL}} nothing to count"
    low, high = (round(share[key] * 100) for key in ("low", "high"))
    return (
        f"{label:<{LABEL}} {share['count']:>4} of {share['of']:<4} {share['share'] * 100:3.0f} %  ({low} to {high} %)"
    )


def _counted(count: int) -> str:
    return "1 case" if count == 1 else f"{count} cases"
