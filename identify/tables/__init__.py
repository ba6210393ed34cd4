"""The knowledge of the product as data: read once, checked, frozen.

A new coin, size, check, fault or class is a row or a block in one of the files beside this one; no code changes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from identify.errors import TableError, UsageError
from identify.model import Caution
from identify.tables import links
from identify.tables.advice import CautionRow, CheckRow, ConversionRow, Fault, FaultCause, Setting
from identify.tables.files import FOLDER, Content, read
from identify.tables.hydraulics import Calculator, DrawOff, Exposure, Input, Limit, Pipe, SetTemperature, WaterRow
from identify.tables.rows import (
    CandidateRow,
    Confusable,
    FittingClass,
    Quantity,
    ReferenceRow,
    Source,
    Thread,
)

__all__ = ["FOLDER", "Tables", "check", "load", "version"]


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """All tables, each keyed by its row ids in the order of its file.

    ``candidates`` holds the rows of every file of replacement dimensions.
    """

    sources: dict[str, Source]
    references: dict[str, ReferenceRow]
    threads: dict[str, Thread]
    quantities: dict[str, Quantity]
    classes: dict[str, FittingClass]
    candidates: dict[str, CandidateRow]
    confusables: dict[str, Confusable]
    checks: dict[str, CheckRow]
    faults: dict[str, Fault]
    fault_causes: dict[str, FaultCause]
    conversions: dict[str, ConversionRow]
    cautions: dict[str, CautionRow]
    settings: dict[str, Setting]
    water: dict[str, WaterRow]
    pipes: dict[str, Pipe]
    scald: dict[str, Exposure]
    set_temperatures: dict[str, SetTemperature]
    draw_offs: dict[str, DrawOff]
    limits: dict[str, Limit]
    inputs: dict[str, Input]
    calculators: dict[str, Calculator]
    version: str

    def reference(self, name: str) -> ReferenceRow:
        """Row of a reference object; ``coin:24.26`` makes one for a coin of that diameter [mm].

        Raises
        ------
        UsageError
            If no row has that name, or the diameter is not one of a coin (10 to 45 mm).
        """
        if name.startswith("coin:"):
            return _own_coin(name)
        if name not in self.references:
            raise UsageError(f"No reference object {name!r}. Known: {', '.join(self.references)}, coin:DIAMETER_IN_MM.")
        return self.references[name]

    def fitting(self, class_id: str) -> FittingClass:
        """Block of a class.

        Raises
        ------
        UsageError
            If no block has that name.
        """
        if class_id not in self.classes:
            raise UsageError(f"No class {class_id!r}. Known: {', '.join(self.classes)}.")
        return self.classes[class_id]

    def setting(self, name: str) -> float:
        """Value of a threshold."""
        return self.settings[name].value

    def limit(self, name: str) -> float:
        """Value of a limit, in its unit."""
        return self.limits[name].value

    def warnings(self, keys: Iterable[str]) -> tuple[Caution, ...]:
        """Cautions with these keys, each once and in order, with the title of their source."""
        rows = [self.cautions[key] for key in dict.fromkeys(keys)]
        return tuple(Caution(row.text, self.titles([row.source])[0]) for row in rows)

    def titles(self, keys: Sequence[str]) -> tuple[str, ...]:
        """Titles of the sources with these keys, each once and in order."""
        return tuple(dict.fromkeys(f"{self.sources[key].title} ({self.sources[key].edition})" for key in keys if key))


def _own_coin(name: str) -> ReferenceRow:
    try:
        diameter = float(name.removeprefix("coin:").replace(",", "."))
    except ValueError:
        raise UsageError(f"{name!r}: give the coin's diameter in mm, such as coin:24.26.") from None
    if not 10 <= diameter <= 45:
        raise UsageError(f"{name!r}: no coin has that diameter. Give it in mm, such as coin:24.26.")
    return ReferenceRow(
        id=name,
        currency="",
        country="",
        name=f"coin of {diameter:g} mm",
        kind="coin",
        shape="round",
        diameter_mm=diameter,
        fit_mm=None,
        width_mm=None,
        height_mm=None,
        thickness_mm=None,
        ringed=False,
        use="A",
        u_mm=0.05,
        note="diameter given by the user",
        source="own-estimate",
        evidence="common practice",
        confidence="M",
    )


def version(folder: Path = FOLDER) -> str:
    """Short hash of the names and bytes of all table files."""
    digest = hashlib.sha256()
    for path in sorted([*folder.glob("*.csv"), *folder.glob("*.toml")], key=lambda path: path.name):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:12]


def check(folder: Path = FOLDER) -> tuple[str, ...]:
    """Everything that is wrong with the tables of a folder: ``file:line:column (name): what``, empty when sound."""
    content = read(folder)
    return tuple(content.problems) + tuple(links.problems(content))


@cache
def load(folder: Path = FOLDER) -> Tables:
    """Tables of a folder, checked; read once.

    Raises
    ------
    TableError
        If a file is missing, or holds an unknown key, a value out of range, a duplicate id or an unknown source;
        the message names file, line and column of the first problem and counts the others.
    """
    content = read(folder)
    problems = [*content.problems, *links.problems(content)]
    if problems:
        more = f" ({len(problems) - 1} more problems; see tables check.)" if len(problems) > 1 else ""
        raise TableError(problems[0] + more)
    return _tables(content, version(folder))


def _tables(content: Content, digest: str) -> Tables:
    return Tables(
        sources=content.table(Source),
        references=content.table(ReferenceRow),
        threads=content.table(Thread),
        quantities=content.table(Quantity),
        classes=content.table(FittingClass),
        candidates=content.table(CandidateRow),
        confusables=content.table(Confusable),
        checks=content.table(CheckRow),
        faults=content.table(Fault),
        fault_causes=content.table(FaultCause),
        conversions=content.table(ConversionRow),
        cautions=content.table(CautionRow),
        settings=content.table(Setting),
        water=content.table(WaterRow),
        pipes=content.table(Pipe),
        scald=content.table(Exposure),
        set_temperatures=content.table(SetTemperature),
        draw_offs=content.table(DrawOff),
        limits=content.table(Limit),
        inputs=content.table(Input),
        calculators=content.table(Calculator),
        version=digest,
    )
