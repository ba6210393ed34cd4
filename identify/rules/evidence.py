"""What is known of one part: class probabilities, measured values, and what the photo or the user told."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from identify.errors import UsageError
from identify.model import Measurement, Recognition
from identify.rules.likelihood import said
from identify.tables import Tables
from identify.tables.advice import CheckRow
from identify.tables.rows import EVERY_CLASS, CandidateRow

CANT_TELL = "can't tell"
CLASS = "class"
ORDER = "order"
AGREES = "agrees"
AGAIN = "again"


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty, and who measured it."""

    value: float
    u: float
    by: str


@dataclass(frozen=True, slots=True)
class Told:
    """A second answer: the value told, and the probability of hearing it for each true value.

    ``blank`` is the probability of hearing it from a part that has no such attribute: the mean over the values.
    """

    answer: str
    by: str
    likelihood: dict[str, float]
    certainty: float
    blank: float

    def also(self, later: Told) -> Told:
        """Both answers together; where they weigh alike the later word is named."""
        values = {**self.likelihood, **later.likelihood}
        likelihood = {v: self.likelihood.get(v, self.blank) * later.likelihood.get(v, later.blank) for v in values}
        stronger = self if likelihood[self.answer] > likelihood[later.answer] else later
        return Told(stronger.answer, later.by, likelihood, stronger.certainty, self.blank * later.blank)


@dataclass(frozen=True, slots=True)
class ReadBack:
    """An order that was read back against the old part: its row, its open options filled in, and what was said."""

    row: str
    values: tuple[str, ...]
    agrees: bool


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All evidence on one part.

    Parameters
    ----------
    classes : class to probability; they sum to 1.
    nothing_seen : the photo shows no fitting, and the user has not said otherwise.
    asked : ids of the checks that were answered, with or without a result.
    stopped : questions answered so that nothing may be ordered yet.
    untold : ids of the checks that the user could not answer.
    silent : classes to whose checks the user could not answer: less likely than those that were not asked about.
    read_back : orders that were read back against the old part.
    """

    classes: dict[str, float]
    measured: dict[str, Measured]
    told: dict[str, Told]
    nothing_seen: bool
    asked: frozenset[str]
    stopped: tuple[str, ...] = ()
    untold: frozenset[str] = frozenset()
    silent: frozenset[str] = frozenset()
    read_back: tuple[ReadBack, ...] = ()

    @property
    def doubted(self) -> bool:
        """Whether an order that was read back differs: some earlier answer was a slip."""
        return any(not one.agrees for one in self.read_back)


def order_code(row: CandidateRow, values: tuple[str, ...]) -> str:
    """Row and open options of an order in one word, as the id of its read-back carries it."""
    return "+".join((row.id, *values)).replace(" ", "_")


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
    stopped, read_back, untold, silent = [], [], set(), set()
    for name, answer in sorted(answers.items()):
        row, suffix = _check(name, tables)
        if answer.strip().lower() == CANT_TELL:
            untold.add(row.id)
            silent |= _addressed(row, tables)
            continue
        if answer.strip() in row.stops:
            stopped.append(f"{row.question} ({answer.strip()})")
        if row.kind == "number":
            measured[row.decides] = _number(row, answer, tables)
        elif row.decides == ORDER:
            read_back.append(_read_back(row, suffix, answer, tables))
        elif row.decides == CLASS:
            said_now = _choice(row, answer, tables)
            class_told = class_told.also(said_now) if class_told else said_now
        else:
            before, said_now = told.get(row.decides), _choice(row, answer, tables)
            told[row.decides] = before.also(said_now) if before and before.by == said_now.by else said_now
    top = tables.classes.get(recognition.answer)
    return Evidence(
        classes=_classes(recognition, class_told, tables),
        measured=measured,
        told=told,
        nothing_seen=top is not None and not top.part and class_told is None,
        asked=frozenset(answers),
        stopped=tuple(stopped),
        untold=frozenset(untold),
        silent=frozenset(silent),
        read_back=tuple(read_back),
    )


def _check(name: str, tables: Tables) -> tuple[CheckRow, str]:
    """Row of an answered check, and what stands behind the colon: ``again``, or the order that was read back."""
    known, colon, suffix = name.partition(":")
    row = tables.checks.get(known)
    if row is None:
        raise UsageError(f"No check {name!r}. Known: {', '.join(tables.checks)}.")
    if row.decides != ORDER and colon and suffix != AGAIN:
        raise UsageError(f"No check {name!r}: only {known} and {known}:{AGAIN} are asked.")
    return row, suffix


def _addressed(row: CheckRow, tables: Tables) -> set[str]:
    """Classes whose rows a question tells apart; none for a question about any part, or one that wants a tool."""
    if row.classes == EVERY_CLASS or row.kind == "number":
        return set()
    rows = tables.candidates.values()
    told = {one.class_id for one in rows if row.decides in one.attributes or row.decides in one.options}
    return told & set(row.classes)


def _read_back(row: CheckRow, code: str, answer: str, tables: Tables) -> ReadBack:
    said_now = _choice(row, answer, tables).answer
    code = code.removesuffix(f":{AGAIN}")
    for one in tables.candidates.values():
        for values in itertools.product(*one.options.values()):
            if code == order_code(one, values):
                return ReadBack(one.id, values, said_now == AGREES)
    raise UsageError(f"{row.id}: {code!r} is no order; take the id of the check as it was given.")


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
        likelihood = said(variety.answer, lists[0], certainty)
        told[name] = Told(variety.answer, "photo", likelihood, variety.probability, 1.0 / len(lists[0]))
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
    values = meanings(row)
    likelihood = said(meant, values, 1.0 - tables.setting("answer_noise"))
    return Told(meant, "user", likelihood, 1.0, 1.0 / len(values))


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
