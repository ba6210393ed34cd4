"""Factories for the tests of the rules."""

from collections.abc import Callable

import pytest

from identify import tables
from identify.model import Measurement, Recognition, Variety


@pytest.fixture
def recognise() -> Callable[..., Recognition]:
    """Recognition with ``p`` on the answer and the rest shared evenly; varieties as name=(answer, probability)."""

    def make(answer: str, p: float = 0.95, varieties: dict[str, tuple[str, float]] | None = None) -> Recognition:
        names = list(tables.load().classes)
        if answer == "unsure":
            probabilities = dict.fromkeys(names, 1 / len(names))
        else:
            probabilities = {name: p if name == answer else (1 - p) / (len(names) - 1) for name in names}
        told = {name: Variety(*value) for name, value in (varieties or {}).items()}
        return Recognition(answer, probabilities, (answer,), "lying", told, None, "0" * 64)

    return make


@pytest.fixture
def measure() -> Callable[..., Measurement]:
    def make(quantity: str, value: float, u95: float = 0.4) -> Measurement:
        return Measurement(quantity, value, u95, "mm", "test")

    return make
