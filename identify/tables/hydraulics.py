"""The rows that the calculators read: water, pipes, exposure times, set temperatures, draw-offs, limits."""

from __future__ import annotations

from dataclasses import dataclass

from identify.tables.reader import Column, number, one_of, positive, text, whole, words
from identify.tables.rows import EVIDENCE

_ID = Column(text)
_NOTE = Column(text, "")
_ORIGIN = {
    "source": Column(text),
    "evidence": Column(one_of(*EVIDENCE)),
    "confidence": Column(one_of("H", "M", "L")),
}


@dataclass(frozen=True, slots=True)
class WaterRow:
    """Water at 3 bar gauge: density [kg/m³] and speed of sound [m/s] at a temperature [°C]."""

    id: str
    temperature_c: float
    density_kg_m3: float
    sound_m_s: float
    source: str
    evidence: str
    confidence: str


WATER = {
    "id": _ID,
    "temperature_c": Column(number),
    "density_kg_m3": Column(positive),
    "sound_m_s": Column(positive),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class Pipe:
    """A pipe: bore and wall [mm], Young's modulus of its material [GPa]."""

    id: str
    name: str
    bore_mm: float
    wall_mm: float
    modulus_gpa: float
    source: str
    evidence: str
    confidence: str


PIPES = {
    "id": _ID,
    "name": Column(text),
    "bore_mm": Column(positive),
    "wall_mm": Column(positive),
    "modulus_gpa": Column(positive),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class Exposure:
    """Shortest printed time [s] after which water of a temperature [°C] burns the skin of an adult."""

    id: str
    temperature_c: float
    seconds: float
    source: str
    evidence: str
    confidence: str


SCALD = {"id": _ID, "temperature_c": Column(positive), "seconds": Column(positive), **_ORIGIN}


@dataclass(frozen=True, slots=True)
class SetTemperature:
    """Most that a thermostatic valve is set to for a use, and most that is measured at the site test [°C]."""

    id: str
    use: str
    set_c: float
    stabilised_c: float | None
    note: str
    source: str
    evidence: str
    confidence: str


SET_TEMPERATURES = {
    "id": _ID,
    "use": Column(text),
    "set_c": Column(positive),
    "stabilised_c": Column(positive, None),
    "note": _NOTE,
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class DrawOff:
    """An outlet: its draw-off flow and the least flow [l/s], and its loading units."""

    id: str
    name: str
    flow_l_s: float
    least_l_s: float
    loading_units: int
    source: str
    evidence: str
    confidence: str


DRAW_OFFS = {
    "id": _ID,
    "name": Column(text),
    "flow_l_s": Column(positive),
    "least_l_s": Column(positive),
    "loading_units": Column(whole),
    **_ORIGIN,
}


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit or constant with its unit."""

    id: str
    name: str
    value: float
    unit: str
    source: str
    evidence: str
    confidence: str


LIMITS = {"id": _ID, "name": Column(text), "value": Column(number), "unit": Column(text), **_ORIGIN}


@dataclass(frozen=True, slots=True)
class Input:
    """What a calculator is given: where a value may lie, and the reason for those ends."""

    id: str
    name: str
    unit: str
    low: float
    high: float
    reason: str


INPUTS = {
    "id": _ID,
    "name": Column(text),
    "unit": Column(text),
    "low": Column(number),
    "high": Column(number),
    "reason": Column(text),
}


@dataclass(frozen=True, slots=True)
class Calculator:
    """A calculator: its formula, what the formula leaves out, and the cautions that come with every result."""

    id: str
    name: str
    formula: str
    leaves_out: str
    cautions: tuple[str, ...]
    source: str
    evidence: str
    confidence: str


CALCULATORS = {
    "id": _ID,
    "name": Column(text),
    "formula": Column(text),
    "leaves_out": Column(text),
    "cautions": Column(words),
    **_ORIGIN,
}
