"""Calculators that the checks lean on: mixed temperature, scald time, surge, velocity, leads.

Each gives a `Result` that carries its inputs, its formula with the source, what it leaves out, and its cautions.
"""

from __future__ import annotations

from identify.water.lead import lead
from identify.water.mixing import mixed
from identify.water.result import Figure, Result
from identify.water.scald import cold_fails
from identify.water.surge import Tube, surge, tube_of
from identify.water.velocity import velocity

__all__ = ["Figure", "Result", "Tube", "cold_fails", "lead", "mixed", "surge", "tube_of", "velocity"]
