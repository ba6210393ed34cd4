"""Checks between the files: ids named twice, keys that lead nowhere, least above most."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from identify.tables.advice import CautionRow, CheckRow, ConversionRow, Fault, FaultCause
from identify.tables.files import Content
from identify.tables.hydraulics import Calculator, DrawOff, Exposure, Input, SetTemperature, WaterRow
from identify.tables.reader import Entry
from identify.tables.rows import (
    EVERY_CLASS,
    CandidateRow,
    Confusable,
    FittingClass,
    Quantity,
    ReferenceRow,
    Source,
    Thread,
)

_ORDERED = {
    Thread: [
        ("minor_mm", "pitch_diameter_mm"),
        ("pitch_diameter_mm", "major_mm"),
        ("od_min_mm", "od_max_mm"),
        ("od_max_mm", "major_mm"),
        ("bore_min_mm", "bore_max_mm"),
    ],
    Quantity: [("low", "high")],
    Input: [("low", "high")],
    DrawOff: [("least_l_s", "flow_l_s")],
    SetTemperature: [("set_c", "stabilised_c")],
}
_RISING: dict[type, list[tuple[str, int]]] = {
    WaterRow: [("temperature_c", 1)],
    Exposure: [("temperature_c", 1), ("seconds", -1)],
}


def problems(content: Content) -> Iterator[str]:
    """Problems between the entries that could be read, each with its place."""
    yield from _duplicates(content)
    yield from _order(content)
    yield from _keys(content)
    yield from _sizes(content)
    yield from _answers(content)
    yield from _conditions(content)
    yield from _causes(content)


def _duplicates(content: Content) -> Iterator[str]:
    for entries in content.entries.values():
        first: dict[str, Entry] = {}
        for entry in entries:
            before = first.setdefault(entry.values["id"], entry)
            if before is not entry:
                yield f"{entry.place('id')}: {entry.values['id']!r} is already in {before.file}, line {before.line}."


def _order(content: Content) -> Iterator[str]:
    for record, pairs in _ORDERED.items():
        for entry in content.entries[record]:
            for low, high in pairs:
                least, most = entry.values[low], entry.values[high]
                if least is not None and most is not None and least > most:
                    yield f"{entry.place(low)}: {least:g} is above {high} = {most:g}."
    for record, columns in _RISING.items():
        for column, sign in columns:
            for before, entry in itertools.pairwise(content.entries[record]):
                if sign * (entry.values[column] - before.values[column]) <= 0:
                    yield f"{entry.place(column)}: {entry.values[column]:g} is out of order after the row before it."


def _keys(content: Content) -> Iterator[str]:
    kinds = {
        "source": content.ids(Source),
        "class": content.ids(FittingClass),
        "thread": content.ids(Thread),
        "check": content.ids(CheckRow),
        "caution": content.ids(CautionRow),
        "quantity": content.ids(Quantity),
        "fault": content.ids(Fault),
    }
    columns: list[tuple[type, str, str]] = [
        (record, "source", "source") for record, entries in content.entries.items() if entries
    ]
    columns += [(Thread, "use_source", "source"), (FittingClass, "look_alikes", "class")]
    columns += [(FittingClass, "quantities", "quantity"), (FittingClass, "cautions", "caution")]
    columns += [(FittingClass, "main_quantity", "quantity"), (Fault, "cautions", "caution")]
    columns += [(CandidateRow, "class_id", "class"), (CandidateRow, "thread", "thread")]
    columns += [(CandidateRow, "ranges", "quantity"), (Confusable, "quantity", "quantity")]
    columns += [(Confusable, "check", "check"), (CheckRow, "classes", "class"), (Fault, "classes", "class")]
    columns += [(ConversionRow, "from_class", "class"), (FaultCause, "fault", "fault")]
    columns += [(Calculator, "cautions", "caution")]
    for record, column, kind in columns:
        for entry in content.entries[record]:
            value = entry.values.get(column, "")
            named = [value] if isinstance(value, str) else [] if tuple(value) == EVERY_CLASS else list(value)
            for name in named:
                if name and name not in kinds[kind]:
                    yield f"{entry.place(column)}: no {kind} {name!r}."


def _sizes(content: Content) -> Iterator[str]:
    for entry in content.entries[ReferenceRow]:
        coin = entry.values["kind"] == "coin"
        needed = {"coin": ["shape", "diameter_mm"], "card": ["width_mm", "height_mm"], "sheet": ["width_mm"]}
        for column in needed.get(entry.values["kind"], []):
            if not entry.values[column]:
                yield f"{entry.place(column)}: is empty; a {entry.values['kind']} needs it."
        if not coin and entry.values["diameter_mm"]:
            yield f"{entry.place('diameter_mm')}: only a coin has a diameter."


def _answers(content: Content) -> Iterator[str]:
    """Each check tells something that a row, class, quantity or conversion knows, in their words."""
    known: dict[str, set[str]] = {"class": content.ids(FittingClass)}
    for entry in content.entries[CandidateRow]:
        for name, values in [*entry.values["attributes"].items(), *entry.values["options"].items()]:
            known.setdefault(name, set()).update(values)
    for entry in content.entries[FittingClass]:
        for name, values in entry.values["varieties"].items():
            known.setdefault(name, set()).update(values)
    for entry in content.entries[CheckRow]:
        number = entry.values["kind"] == "number"
        decides = entry.values["decides"]
        if number and decides not in content.ids(Quantity):
            yield f"{entry.place('decides')}: no quantity {decides!r} to measure."
        if number and entry.values["u95"] is None:
            yield f"{entry.place('u95')}: is empty; a measured answer needs it."
        if not number and len(entry.values["answers"]) < 2:
            yield f"{entry.place('answers')}: a choice needs two answers or more."
        for said in entry.values["stops"]:
            if said not in entry.values["answers"]:
                yield f"{entry.place('stops')}: {said!r} is none of the answers."
        for meant in () if number else entry.values["answers"].values():
            if decides in known and meant not in known[decides]:
                yield f"{entry.place('answers')}: {decides} is never {meant!r}."


def _conditions(content: Content) -> Iterator[str]:
    """Each condition of a conversion can be asked for, and names answers that its check has."""
    told: dict[str, set[str]] = {}
    for entry in content.entries[CheckRow]:
        told.setdefault(entry.values["decides"], set()).update(entry.values["answers"].values())
    for entry in content.entries[ConversionRow]:
        attribute = entry.values["attribute"]
        if attribute and attribute not in told:
            yield f"{entry.place('attribute')}: no check decides {attribute!r}."
            continue
        for column in ("fits", "fails", "asks"):
            for value in entry.values[column]:
                if value not in told.get(attribute, ()):
                    yield f"{entry.place(column)}: {attribute} is never {value!r}."


def _causes(content: Content) -> Iterator[str]:
    """Each symptom has causes, ranked 1, 2, 3 …, and each cause applies to values that a part can have."""
    known: dict[str, set[str]] = {}
    for entry in content.entries[CheckRow]:
        known.setdefault(entry.values["decides"], set()).update(entry.values["answers"].values())
    for entry in content.entries[FittingClass]:
        for name, values in entry.values["varieties"].items():
            known.setdefault(name, set()).update(values)
    ranks: dict[str, int] = {}
    for entry in content.entries[FaultCause]:
        fault, rank = entry.values["fault"], entry.values["rank"]
        ranks[fault] = ranks.get(fault, 0) + 1
        if rank != ranks[fault]:
            yield f"{entry.place('rank')}: {rank} is out of order; {ranks[fault]} is the next of {fault!r}."
        for name, values in entry.values["applies"].items():
            for value in values:
                if value not in known.get(name, ()):
                    yield f"{entry.place('applies')}: {name} is never {value!r}."
    for entry in content.entries[Fault]:
        if entry.values["id"] not in ranks:
            yield f"{entry.place('id')}: {entry.values['id']!r} has no cause in fault_causes.csv."
