"""What a measured male thread reads as, among all listed threads."""

from __future__ import annotations

import math
from collections.abc import Mapping

from identify.rules.evidence import Measured
from identify.rules.likelihood import density
from identify.tables import Tables

DIAMETER = "thread_major_diameter"
ENOUGH = 0.9


def readings(measured: Mapping[str, Measured], tables: Tables) -> tuple[tuple[str, float], ...]:
    """Listed parallel threads by probability, all alike before measuring.

    Parameters
    ----------
    measured : quantity to its value; without the outer diameter nothing is read.

    Returns
    -------
    tuple of (thread, probability)
        The most probable first; they sum to 1. Empty where the diameter agrees with no thread.
    """
    if DIAMETER not in measured:
        return ()
    weights = {}
    for thread in tables.threads.values():
        if not thread.taper and thread.confidence == "H":
            weights[thread.id] = math.prod(
                density(measured[name].value, measured[name].u, *size, wear=tables.quantities[name].wear)
                for name, size in thread.ranges.items()
                if name in measured
            )
    total = math.fsum(weights.values())
    if total < 1e-6:
        return ()
    return tuple(
        sorted(((name, weight / total) for name, weight in weights.items()), key=lambda one: (-one[1], one[0]))
    )


def reads_as(measured: Mapping[str, Measured], tables: Tables) -> str:
    """Fewest threads that hold nine tenths of the probability, as words; empty where none agrees."""
    names, held = [], 0.0
    for name, share in readings(measured, tables):
        if held < ENOUGH:
            names.append(name)
            held += share
    return " or ".join(names)
