"""What people say a part really is: checked before it is kept, because figures are counted by it."""

from __future__ import annotations

import math
from collections.abc import Mapping

from identify import tables
from identify.errors import UsageError

MOST_LETTERS, MOST_NOTE = 200, 2000


def known_class(name: str | None) -> str | None:
    """The class, or None where nobody said.

    Raises
    ------
    UsageError
        No class has that name.
    """
    return None if name is None else tables.load().fitting(name).id


def readings(callipers_mm: Mapping[str, float]) -> dict[str, float]:
    """Quantity to reading [mm], or count.

    Raises
    ------
    UsageError
        No quantity has that name, or no part has such a value.
    """
    known = tables.load().quantities
    checked = {}
    for name, value in callipers_mm.items():
        if name not in known:
            raise UsageError(f"No quantity is called {name!r}; known are {', '.join(known)}.")
        row, number = known[name], float(value)
        unit = " mm" if row.unit == "mm" else ""
        if not (math.isfinite(number) and row.low <= number <= row.high):
            raise UsageError(
                f"{number:g}{unit} can't be the {row.name} ({row.low:g} to {row.high:g}{unit}); read it again."
            )
        checked[name] = number
    return checked


def answered(answers: Mapping[str, str]) -> dict[str, float]:
    """Readings among the answers to checks; an answer that is none is left out."""
    known = tables.load()
    found: dict[str, float] = {}
    for check, said in answers.items():
        row = known.checks.get(check)
        if row is None or row.kind != "number" or row.decides not in known.quantities:
            continue
        try:
            found |= readings({row.decides: float(said.strip().removesuffix("mm").replace(",", "."))})
        except (ValueError, UsageError):
            continue
    return found


def varieties(class_id: str, answers: Mapping[str, str]) -> dict[str, str]:
    """The class's varieties that the user's answers tell; what only the network said is not among them."""
    known = tables.load()
    possible = known.fitting(class_id).varieties
    found = {}
    for check, said in answers.items():
        row = known.checks.get(check)
        meant = None if row is None else row.answers.get(said)
        if row is not None and meant in possible.get(row.decides, ()):
            found[row.decides] = str(meant)
    return found
