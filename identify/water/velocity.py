"""Velocity in a pipe against its limits."""

from __future__ import annotations

import math

from identify.tables import Tables, load
from identify.water.result import Figure, Result, answer, given

MM2_M_PER_L = 1e3  # a litre a second through a square millimetre is a thousand metres a second


def velocity_m_s(flow_l_s: float, bore_mm: float) -> float:
    """Mean velocity v = 4 q / (π D²) [m/s]."""
    return 4.0 * MM2_M_PER_L * flow_l_s / (math.pi * bore_mm**2)


def velocity(flow_l_s: float, bore_mm: float, *, tables: Tables | None = None) -> Result:
    """Velocity of a flow [l/s] in a bore [mm], against the limits of service and of connection pipes.

    Raises
    ------
    UsageError
        A value lies outside its ends.
    """
    tables = tables or load()
    inputs = given(tables, flow=flow_l_s, bore=bore_mm)
    speed = velocity_m_s(flow_l_s, bore_mm)
    service, connection = tables.limits["velocity_service"], tables.limits["velocity_connection"]
    reasons = [f"At most {row.value:g} {row.unit} in {row.name}." for row in (service, connection)]
    if speed <= service.value:
        verdict = f"{speed:.2f} m/s: within the limits."
    elif speed <= connection.value:
        verdict = f"{speed:.2f} m/s: within the limit of a {connection.name} only."
    else:
        verdict = f"{speed:.2f} m/s: too fast for any pipe; take a larger one or less flow."
    return answer("velocity", tables, inputs, [Figure("velocity", speed, "m/s")], verdict, reasons)
