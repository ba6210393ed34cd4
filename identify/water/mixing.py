"""Mixed temperature, and whether the hot supply can reach the set point."""

from __future__ import annotations

from identify.errors import UsageError
from identify.tables import Tables, load
from identify.water.result import Figure, Result, answer, given


def mixed_temperature_c(hot_c: float, cold_c: float, hot_flow: float, cold_flow: float) -> float:
    """Temperature of two mixed streams, Tm = (qh Th + qc Tc) / (qh + qc) [°C].

    The flows are in one unit, not both 0. Both sides count as equally dense and of one heat capacity.
    """
    return (hot_flow * hot_c + cold_flow * cold_c) / (hot_flow + cold_flow)


def hot_share(mixed_c: float, hot_c: float, cold_c: float) -> float:
    """Share of hot water in the blend, f = (Tm - Tc) / (Th - Tc); outside 0 to 1 where it is out of reach."""
    return (mixed_c - cold_c) / (hot_c - cold_c)


def mixed(
    hot_c: float,
    cold_c: float,
    *,
    set_c: float | None = None,
    use: str | None = None,
    hot_flow_l_s: float | None = None,
    cold_flow_l_s: float | None = None,
    tables: Tables | None = None,
) -> Result:
    """Mixed temperature of two flows, or the shares that a set point needs, or both.

    Parameters
    ----------
    hot_c, cold_c, set_c : temperatures of the supplies and of the wanted blend [°C].
    use : row of the set temperatures to compare the set point with.
    hot_flow_l_s, cold_flow_l_s : flows of the two sides [l/s].

    Raises
    ------
    UsageError
        A value lies outside its ends, the hot supply is not hotter than the cold one, neither a set point nor both
        flows are given, both flows are 0, or the use is not in the table.
    """
    tables = tables or load()
    inputs = given(tables, hot=hot_c, cold=cold_c, set=set_c, hot_flow=hot_flow_l_s, cold_flow=cold_flow_l_s)
    if hot_c <= cold_c:
        raise UsageError(f"A hot supply of {hot_c:g} °C is not hotter than the cold one of {cold_c:g} °C; swap them.")
    if (hot_flow_l_s is None) != (cold_flow_l_s is None) or (set_c is None and hot_flow_l_s is None):
        raise UsageError("Give the set temperature, or both the hot and the cold flow.")
    figures: list[Figure] = []
    verdict, reasons = "", list[str]()
    if hot_flow_l_s is not None and cold_flow_l_s is not None:
        if hot_flow_l_s + cold_flow_l_s == 0:
            raise UsageError("Both flows are 0 l/s; give at least one above 0.")
        blend = mixed_temperature_c(hot_c, cold_c, hot_flow_l_s, cold_flow_l_s)
        figures.append(Figure("mixed temperature", blend, "°C"))
        verdict = f"The blend is {blend:.1f} °C."
    if set_c is not None:
        found, verdict, reasons = _reach(set_c, hot_c, cold_c, tables)
        figures += found
        reasons += [_for_use(set_c, use, tables)] if use else []
    return answer("mixed", tables, inputs, figures, verdict, reasons)


def _reach(set_c: float, hot_c: float, cold_c: float, tables: Tables) -> tuple[list[Figure], str, list[str]]:
    """Shares for a set point, or why it is out of reach."""
    needed = set_c + tables.limit("hot_above_mixed")
    if set_c > hot_c:
        lacks = f"{set_c - hot_c:.1f} °C hotter than the hot supply"
        return [], f"Out of reach: {set_c:g} °C is {lacks}.", [f"A thermostatic valve asks for {needed:g} °C or more."]
    if set_c < cold_c:
        return [], f"Out of reach: {set_c:g} °C is {cold_c - set_c:.1f} °C colder than the cold supply.", []
    share = hot_share(set_c, hot_c, cold_c)
    figures = [Figure("hot share of the flow", share, "1")]
    if share < 1:
        figures.append(Figure("parts of hot to one of cold", share / (1 - share), "1"))
    if hot_c >= needed:
        return figures, f"Within reach, of a thermostatic valve too: {hot_c - set_c:.1f} °C are to spare.", []
    reason = f"It needs a hot supply of {needed:g} °C or more to hold the setting, and to close if the cold fails."
    return figures, "Within reach of a hand mixer, not of a thermostatic valve.", [reason]


def _for_use(set_c: float, use: str, tables: Tables) -> str:
    """Compare a set point with the most that is set for a use."""
    row = tables.set_temperatures.get(use)
    if row is None:
        raise UsageError(f"No set temperature is known for {use!r}; known: {', '.join(tables.set_temperatures)}.")
    compared = "above" if set_c > row.set_c else "within"
    note = f"; {row.note}" if row.note else ""
    return f"{set_c:g} °C is {compared} {row.set_c:g} °C, the most for a {row.use} where care rules hold{note}."
