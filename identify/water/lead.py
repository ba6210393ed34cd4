"""Length of a sensor tap's leads."""

from __future__ import annotations

from identify.tables import Tables, load
from identify.water.result import Figure, Result, answer, given


def lead(length_m: float, *, tables: Tables | None = None) -> Result:
    """Whether plug-in leads of this length in all [m] are usual between a sensor tap and its supply.

    Raises
    ------
    UsageError
        The length lies outside its ends.
    """
    tables = tables or load()
    inputs = given(tables, lead=length_m)
    most = tables.limits["sensor_lead"]
    figures = [Figure("length left", most.value - length_m, most.unit)]
    if length_m <= most.value:
        verdict = f"{length_m:g} m is within the usual {most.value:g} m."
        reasons = ["Look in the maker's sheet: it may ask for less."]
    else:
        verdict = f"{length_m:g} m is too long: the usual most is about {most.value:g} m."
        reasons = ["Move the power unit nearer; never cut or splice the leads."]
    return answer("lead", tables, inputs, figures, verdict, reasons)
