"""What a calculator gives back, and the check of what it is given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from identify.errors import UsageError
from identify.model import Caution
from identify.tables import Tables


@dataclass(frozen=True, slots=True)
class Figure:
    """A named value with its unit; the unit 1 is a bare number."""

    name: str
    value: float
    unit: str

    def __str__(self) -> str:
        """Name and value with four digits: wave speed 1274 m/s."""
        return f"{self.name} {self.value:.4g}{'' if self.unit == '1' else f' {self.unit}'}"


@dataclass(frozen=True, slots=True)
class Result:
    """A calculator's answer.

    Parameters
    ----------
    verdict : one sentence.
    reasons : what the verdict rests on, and what follows from it.
    leaves_out : what the formula does not reckon with.
    """

    name: str
    inputs: tuple[Figure, ...]
    figures: tuple[Figure, ...]
    verdict: str
    reasons: tuple[str, ...]
    formula: str
    leaves_out: str
    source: str
    cautions: tuple[Caution, ...]


def given(tables: Tables, **values: float | None) -> tuple[Figure, ...]:
    """Inputs by name, those that are not None.

    Raises
    ------
    UsageError
        A value lies outside the ends that the table of inputs gives it.
    """
    figures = []
    for name, value in values.items():
        row = tables.inputs[name]
        if value is None:
            continue
        if not row.low <= value <= row.high:
            raise UsageError(
                f"{value:g} {row.unit} is no {row.name}; give one from {row.low:g} to {row.high:g} {row.unit} "
                f"({row.reason})."
            )
        figures.append(Figure(row.name, float(value), row.unit))
    return tuple(figures)


def answer(
    calculator: str,
    tables: Tables,
    inputs: Sequence[Figure],
    figures: Sequence[Figure],
    verdict: str,
    reasons: Sequence[str] = (),
) -> Result:
    """Result of a calculator of the tables, with its formula, source and cautions."""
    row = tables.calculators[calculator]
    source = tables.titles([row.source])[0]
    warnings = tables.warnings(row.cautions)
    return Result(
        row.name, tuple(inputs), tuple(figures), verdict, tuple(reasons), row.formula, row.leaves_out, source, warnings
    )
