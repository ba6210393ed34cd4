"""Outlet temperature and scald time if the cold supply fails: a hot-limit ring is no thermostat."""

from __future__ import annotations

import itertools

from identify.tables import Tables, load
from identify.water.result import Figure, Result, answer, given


def exposure_s(temperature_c: float, tables: Tables) -> float | None:
    """Shortest printed time to a burn at a temperature [s]; None below the table's first temperature.

    Between two printed figures the logarithm of the time runs straight, as the rate of a burn about doubles with each
    degree (Moritz and Henriques, 1947). Above the last figure the last time stands as a most.
    """
    rows = list(tables.scald.values())
    if temperature_c < rows[0].temperature_c:
        return None
    for low, high in itertools.pairwise(rows):
        if temperature_c < high.temperature_c:
            along = (temperature_c - low.temperature_c) / (high.temperature_c - low.temperature_c)
            return low.seconds * (high.seconds / low.seconds) ** along
    return rows[-1].seconds


def doubled_s(temperature_c: float, tables: Tables) -> float | None:
    """Time by the rule that each degree doubles the rate, from the table's first figure [s]; None outside the rule."""
    first = next(iter(tables.scald.values()))
    if not tables.limit("doubling_from") <= temperature_c <= tables.limit("doubling_to"):
        return None
    return first.seconds / 2.0 ** (temperature_c - first.temperature_c)


def cold_fails(hot_c: float, *, set_c: float | None = None, tables: Tables | None = None) -> Result:
    """What a mixer without a thermostat gives once its cold supply fails, and how soon that burns.

    Parameters
    ----------
    hot_c : temperature of the hot supply, which the outlet takes on [°C].
    set_c : blend that a limit ring was set to while cold water came [°C].

    Raises
    ------
    UsageError
        A value lies outside its ends.
    """
    tables = tables or load()
    inputs = given(tables, hot=hot_c, set=set_c)
    seconds, doubled = exposure_s(hot_c, tables), doubled_s(hot_c, tables)
    figures = [Figure("outlet temperature", hot_c, "°C")]
    ring = f", whatever blend the ring was set to ({set_c:g} °C)" if set_c is not None else ""
    reasons = [
        f"A hot-limit ring only limits the share of hot while cold comes: the outlet rises to the hot supply{ring}."
    ]
    begins = tables.limit("scald_begins")
    if seconds is None:
        verdict = f"The outlet rises to {hot_c:g} °C; no burn time is printed for that."
        reasons.append(
            f"Water above {begins:g} °C can injure seriously; below, no printed figure is no promise of safety."
        )
        return answer("scald", tables, inputs, figures, verdict, reasons)
    figures.append(Figure("shortest printed time to a burn", seconds, "s"))
    last = list(tables.scald.values())[-1]
    words = f"within {_told(seconds)}" if hot_c > last.temperature_c else f"after about {_told(seconds)}"
    if doubled is not None:
        reasons.append(f"By the rule that each degree doubles the rate it would be {_told(doubled)}.")
    reasons.append("A thermostatic valve shuts instead; test that by shutting the cold supply.")
    verdict = f"Scald: the outlet rises to {hot_c:g} °C, which burns an adult's skin {words}."
    return answer("scald", tables, inputs, figures, verdict, reasons)


def _told(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.2g} s"
    return f"{seconds / 60:.2g} min" if seconds < 6000 else f"{seconds / 3600:.2g} h"
