"""Which file holds which rows; any other CSV file beside them holds rows of replacement dimensions."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from identify.tables import advice, hydraulics, rows
from identify.tables.reader import Entry, Schema, read_csv, read_toml

FOLDER = Path(__file__).parent
T = TypeVar("T")

FILES: dict[str, tuple[type, Schema]] = {
    "sources.toml": (rows.Source, rows.SOURCES),
    "references.csv": (rows.ReferenceRow, rows.REFERENCES),
    "threads.csv": (rows.Thread, rows.THREADS),
    "quantities.toml": (rows.Quantity, rows.QUANTITIES),
    "classes.toml": (rows.FittingClass, rows.CLASSES),
    "confusables.csv": (rows.Confusable, rows.CONFUSABLES),
    "checks.csv": (advice.CheckRow, advice.CHECKS),
    "faults.csv": (advice.Fault, advice.FAULTS),
    "fault_causes.csv": (advice.FaultCause, advice.FAULT_CAUSES),
    "conversions.csv": (advice.ConversionRow, advice.CONVERSIONS),
    "cautions.csv": (advice.CautionRow, advice.CAUTIONS),
    "settings.toml": (advice.Setting, advice.SETTINGS),
    "water.csv": (hydraulics.WaterRow, hydraulics.WATER),
    "pipes.csv": (hydraulics.Pipe, hydraulics.PIPES),
    "scald.csv": (hydraulics.Exposure, hydraulics.SCALD),
    "set_temperatures.csv": (hydraulics.SetTemperature, hydraulics.SET_TEMPERATURES),
    "draw_offs.csv": (hydraulics.DrawOff, hydraulics.DRAW_OFFS),
    "limits.toml": (hydraulics.Limit, hydraulics.LIMITS),
    "inputs.toml": (hydraulics.Input, hydraulics.INPUTS),
    "calculators.toml": (hydraulics.Calculator, hydraulics.CALCULATORS),
}


@dataclass(frozen=True, slots=True, eq=False)
class Content:
    """Entries of every file under the record that they become, and the problems met while reading."""

    entries: dict[type, list[Entry]]
    problems: list[str]

    def ids(self, record: type) -> set[str]:
        """Ids of the rows of one kind."""
        return {entry.values["id"] for entry in self.entries[record]}

    def table(self, record: type[T]) -> dict[str, T]:
        """Records of one kind under their ids."""
        return {entry.values["id"]: record(**entry.values) for entry in self.entries[record]}


def candidate_files(folder: Path = FOLDER) -> list[Path]:
    """Files of replacement dimensions, by name."""
    return sorted(path for path in folder.glob("*.csv") if path.name not in FILES)


def read(folder: Path = FOLDER) -> Content:
    """All files of a folder, each cell read; see `identify.tables.check` for the checks between files."""
    problems: list[str] = []
    entries: dict[type, list[Entry]] = {}
    for name, (record, schema) in FILES.items():
        path = folder / name
        if not path.is_file():
            problems.append(f"{name}:1:1: the file is missing.")
            entries[record] = []
            continue
        reader = read_csv if path.suffix == ".csv" else read_toml
        entries[record] = reader(path, schema, problems)
    entries[rows.CandidateRow] = [
        entry for path in candidate_files(folder) for entry in read_csv(path, rows.CANDIDATES, problems)
    ]
    return Content(entries, problems)
