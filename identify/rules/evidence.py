"""What is known of one part: class probabilities, measured values, and what the photo or the user told."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from identify.errors import UsageError
from identify.model import Measurement, Recognition
from identify.rules.likelihood import said
from identify.tables import Tables
from identify.tables.advice import CheckRow

CANT_TELL = "can't tell"
CLASS = "class"


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty, and who measured it."""

    value: float
    u: float
    by: str


@dataclass(frozen=True, slots=True)
class Told:
    """A second answer: the value told, and the probability of hearing it for each true value."""

    answer: str
    by: str
    likelihood: dict[str, float]
    certainty: float

    @property
    def blank(self) -> float:
        """Probability of hearing it from a part that has no such attribute: the mean over the values."""
        return sum(self.likelihood.values()) / len(self.likelihood)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All evidence on one part.

    Parameters
    ----------
    classes : class to probability; they sum to 1.
    nothing_seen : the photo shows no fitting, and the user has not said otherwise.
    asked : ids of the checks that were answered, with or without a result.
    stopped : questions answered so that nothing may be ordered yet.
    """

    classes: dict[str, float]
    measured: dict[str, Measured]
    told: dict[str, Told]
    nothing_seen: bool
    asked: frozenset[str]
    stopped: tuple[str, ...] = ()


def gather(
    recognition: Recognition, measurements: Sequence[Measurement], answers: Mapping[str, str], tables: Tables
) -> Evidence:
    """Evidence of a photo and of the user; on one and the same matter the user's word replaces the photo's.

    Raises
    ------
    UsageError
        If an answer belongs to no check, is none of its answers, or is no number where one is asked for.
    """
    measured = _from_photo(measurements, tables)
    told = _from_varieties(recognition, tables)
    class_told: Told | None = None
    stopped = []
    for name, answer in sorted(answers.items()):
        row = tables.checks.get(name)
        if row is None:
            raise UsageError(f"No check {name!r}. Known: {', '.join(tables.checks)}.")
        if answer.strip().lower() == CANT_TELL:
            continue
        if answer.strip() in row.stops:
            stopped.append(f"{row.question} ({answer.strip()})")
        if row.kind == "number":
            measured[row.decides] = _number(row, answer, tables)
        elif row.decides == CLASS:
            class_told = _choice(row, answer, tables)
        else:
            told[row.decides] = _choice(row, answer, tables)
    top = tables.classes.get(recognition.answer)
    return Evidence(
        classes=_classes(recognition, class_told, tables),
        measured=measured,
        told=told,
        nothing_seen=top is not None and not top.part and class_told is None,
        asked=frozenset(answers),
        stopped=tuple(stopped),
    )


def _from_photo(measurements: Sequence[Measurement], tables: Tables) -> dict[str, Measured]:
    """Best measurement of each quantity that the tables know."""
    best: dict[str, Measured] = {}
    for one in measurements:
        u = one.u95 / 2.0
        if one.quantity in tables.quantities and (one.quantity not in best or u < best[one.quantity].u):
            best[one.quantity] = Measured(one.value, u, "photo")
    return best


def _from_varieties(recognition: Recognition, tables: Tables) -> dict[str, Told]:
    """Second answers of the photo, each over the closed list that its class gives."""
    told: dict[str, Told] = {}
    for name, variety in recognition.varieties.items():
        lists = [block.varieties[name] for block in tables.classes.values() if name in block.varieties]
        if not lists or variety.answer not in lists[0] or len(lists[0]) < 2:
            continue
        certainty = min(variety.probability, tables.setting("variety_ceiling"))
        told[name] = Told(variety.answer, "photo", said(variety.answer, lists[0], certainty), variety.probability)
    return told


def _number(row: CheckRow, answer: str, tables: Tables) -> Measured:
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(mm)?\s*", answer)
    quantity = tables.quantities[row.decides]
    value = float(match[1].replace(",", ".")) if match else 0.0
    if not quantity.low <= value <= quantity.high:
        raise UsageError(
            f"{row.id}: {answer!r} is no {quantity.name} between {quantity.low:g} and {quantity.high:g}; "
            f"give a number, or {CANT_TELL!r}."
        )
    return Measured(value, (row.u95 or 0.0) / 2.0, "user")


def _choice(row: CheckRow, answer: str, tables: Tables) -> Told:
    meant = row.answers.get(answer.strip())
    if meant is None and answer.strip() in row.answers.values():
        meant = answer.strip()
    if meant is None:
        raise UsageError(f"{row.id}: {answer!r} is none of {', '.join(row.answers)}, {CANT_TELL}.")
    certainty = 1.0 - tables.setting("answer_noise")
    return Told(meant, "user", said(meant, meanings(row), certainty), 1.0)


def meanings(row: CheckRow) -> tuple[str, ...]:
    """Values that the answers of a choice can mean, each once."""
    return tuple(dict.fromkeys(row.answers.values()))


def _classes(recognition: Recognition, told: Told | None, tables: Tables) -> dict[str, float]:
    """Class probabilities with the floor of the settings; tempered where the user told the class."""
    floor = tables.setting("class_floor")
    weights = {name: max(recognition.probabilities.get(name, 0.0), floor) for name in tables.classes}
    if told:
        power = tables.setting("photo_power")
        unasked = min(told.likelihood.values())
        weights = {name: weight**power * told.likelihood.get(name, unasked) for name, weight in weights.items()}
    total = sum(weights[name] for name in sorted(weights))
    return {name: weight / total for name, weight in weights.items()}
