"""Pressure surge when an outlet closes: wave speed, rapid closing, slow closing."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from identify.errors import UsageError
from identify.tables import Tables, load
from identify.water.result import Figure, Result, answer, given
from identify.water.velocity import velocity_m_s

PA_PER_BAR = 1e5


@dataclass(frozen=True, slots=True)
class Tube:
    """Bore and wall [mm] and Young's modulus [GPa] of a pipe."""

    bore_mm: float
    wall_mm: float
    modulus_gpa: float


def tube_of(name: str, tables: Tables) -> Tube:
    """Pipe of the tables.

    Raises
    ------
    UsageError
        No pipe has that name.
    """
    if name not in tables.pipes:
        raise UsageError(f"No pipe {name!r}; known: {', '.join(tables.pipes)}; or give its bore, wall and modulus.")
    row = tables.pipes[name]
    return Tube(row.bore_mm, row.wall_mm, row.modulus_gpa)


def water_at(temperature_c: float, tables: Tables) -> tuple[float, float]:
    """Density [kg/m³] and speed of sound [m/s] of water, straight between the rows of the table."""
    rows = list(tables.water.values())
    for low, high in itertools.pairwise(rows):
        if low.temperature_c <= temperature_c <= high.temperature_c:
            along = (temperature_c - low.temperature_c) / (high.temperature_c - low.temperature_c)
            density = low.density_kg_m3 + along * (high.density_kg_m3 - low.density_kg_m3)
            return density, low.sound_m_s + along * (high.sound_m_s - low.sound_m_s)
    raise UsageError(f"No row of water for {temperature_c:g} °C; give one from 5 to 70 °C.")


def wave_speed_m_s(density_kg_m3: float, sound_m_s: float, tube: Tube) -> float:
    """Korteweg's wave speed in a thin pipe that is free to stretch, a = c / sqrt(1 + K D / (E e)), K = ρ c² [m/s]."""
    bulk = density_kg_m3 * sound_m_s**2
    return sound_m_s / math.sqrt(1.0 + bulk * tube.bore_mm / (tube.modulus_gpa * 1e9 * tube.wall_mm))


def joukowsky_pa(density_kg_m3: float, wave_m_s: float, velocity_m_s: float) -> float:
    """Surge of a closing within 2 L / a, Δp = ρ a v [Pa]."""
    return density_kg_m3 * wave_m_s * velocity_m_s


def michaud_pa(density_kg_m3: float, length_m: float, velocity_m_s: float, closing_s: float) -> float:
    """Surge of a slower, even closing, Δp = 2 ρ L v / t [Pa]."""
    return 2.0 * density_kg_m3 * length_m * velocity_m_s / closing_s


def surge(
    length_m: float,
    *,
    tube: Tube | None = None,
    wave_m_s: float | None = None,
    flow_l_s: float | None = None,
    velocity: float | None = None,
    closing_s: float = 0.0,
    temperature_c: float = 20.0,
    static_bar: float | None = None,
    tables: Tables | None = None,
) -> Result:
    """Surge when the flow in a pipe is stopped.

    Parameters
    ----------
    length_m : pipe from the outlet to the next large pipe or vessel [m].
    tube, wave_m_s : the pipe, or its known wave speed [m/s]; a flow needs the pipe.
    flow_l_s, velocity : one of them [l/s, m/s].
    closing_s : closing time [s]; 0 is an instant stop.
    static_bar : pressure before the surge [bar].

    Raises
    ------
    UsageError
        A value lies outside its ends, or pipe and wave speed, or flow and velocity, are given both or not at all.
    """
    tables = tables or load()
    if (tube is None) == (wave_m_s is None):
        raise UsageError("Give either the pipe or its wave speed.")
    if (flow_l_s is None) == (velocity is None):
        raise UsageError("Give either the flow or the velocity.")
    if tube is None and velocity is None:
        raise UsageError("A flow needs the pipe; give the velocity beside a wave speed.")
    inputs = given(
        tables,
        length=length_m,
        bore=tube.bore_mm if tube else None,
        wall=tube.wall_mm if tube else None,
        modulus=tube.modulus_gpa if tube else None,
        wave_speed=wave_m_s,
        flow=flow_l_s,
        velocity=velocity,
        closing=closing_s,
        temperature=temperature_c,
        static=static_bar,
    )
    density, sound = water_at(temperature_c, tables)
    speed = wave_m_s or (wave_speed_m_s(density, sound, tube) if tube else sound)
    run = velocity or (velocity_m_s(flow_l_s or 0.0, tube.bore_mm) if tube else 0.0)
    figures, verdict, reasons = _closing(length_m, density, speed, run, closing_s, tables)
    if static_bar is not None:
        figures, more = _with_static(figures, static_bar, tables)
        reasons = [*reasons, more]
    return answer("surge", tables, inputs, figures, verdict, reasons)


def _closing(
    length_m: float, density: float, speed: float, run: float, closing_s: float, tables: Tables
) -> tuple[list[Figure], str, list[str]]:
    """Figures of one closing, rapid or slow."""
    period = 2.0 * length_m / speed
    rapid = closing_s <= period
    rise = joukowsky_pa(density, speed, run) if rapid else michaud_pa(density, length_m, run, closing_s)
    figures = [
        Figure("surge", rise / PA_PER_BAR, "bar"),
        Figure("surge as a head of water", rise / (density * tables.limit("gravity")), "m"),
        Figure("velocity", run, "m/s"),
        Figure("wave speed", speed, "m/s"),
        Figure("time of the wave to and fro, 2 L / a", period, "s"),
    ]
    verdict = f"The surge is {rise / PA_PER_BAR:.2f} bar: {'rapid' if rapid else 'slow'} closing."
    if rapid:
        return figures, verdict, [f"A closing within {period:.3g} s counts as instant: close more slowly than that."]
    most = joukowsky_pa(density, speed, run) / PA_PER_BAR
    return figures, verdict, [f"Closed within {period:.3g} s it would be {most:.2f} bar."]


def _with_static(figures: list[Figure], static_bar: float, tables: Tables) -> tuple[list[Figure], str]:
    """Adds the pressure before the surge, and compares the peak with what taps are made for."""
    peak = static_bar + figures[0].value
    most = tables.limits["pressure_type_1"]
    compared = "above" if peak > most.value else "within"
    reason = f"The peak of {peak:.1f} bar is {compared} {most.value:g} bar, the {most.name}."
    return [Figure("peak pressure", peak, "bar"), *figures], reason
