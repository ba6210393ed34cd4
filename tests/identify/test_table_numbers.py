"""A guard against slips of the pen: rows and sum of all numbers of each table file, also those inside sentences.

A changed digit changes the sum. After a wanted change, take the numbers over from the message of the test.
"""

import re

import pytest

from identify import tables
from identify.tables.files import FILES, candidate_files

# file: rows, sum of all numbers in it
NUMBERS = {
    "calculators.toml": (5, 1726.8),
    "cartridges.csv": (17, 1958.2),
    "cautions.csv": (15, 89176.5),
    "checks.csv": (36, 31361.24),
    "classes.toml": (7, 393.8),
    "confusables.csv": (14, 10059.6641),
    "conversions.csv": (14, 500.0),
    "draw_offs.csv": (7, 5747.7),
    "fault_causes.csv": (180, 46864.4),
    "faults.csv": (57, 276.0),
    "garden.csv": (2, 101.0),
    "heads.csv": (12, 1722.0),
    "inputs.toml": (16, 14698.411),
    "limits.toml": (14, 79528.30665),
    "pipes.csv": (5, 720.4),
    "quantities.toml": (8, 607.5),
    "references.csv": (79, 141981.986),
    "scald.csv": (10, 32407.4),
    "sensors.csv": (6, 8.0),
    "set_temperatures.csv": (5, 522.0),
    "settings.toml": (25, 223.584),
    "sources.toml": (48, 310623.011),
    "thermostatic.csv": (2, 2.0),
    "threads.csv": (38, 47209.9138),
    "water.csv": (8, 21315.13),
}


def numbers(text: str, is_csv: bool) -> tuple[int, float]:
    """Rows (lines after the header, or blocks) and the sum of all unsigned numbers."""
    rows = text.count("\n") - 1 if is_csv else len(re.findall(r"^\[", text, flags=re.MULTILINE))
    return rows, round(sum(float(number) for number in re.findall(r"\d+(?:\.\d+)?", text)), 6)


def text_of(file: str) -> str:
    return (tables.FOLDER / file).read_text(encoding="utf-8")


@pytest.mark.parametrize("file", sorted({*FILES, *(path.name for path in candidate_files())}))
def test_rows_and_sum_of_numbers(file):
    assert numbers(text_of(file), file.endswith(".csv")) == NUMBERS[file]


@pytest.mark.parametrize("file", ["scald.csv", "pipes.csv", "limits.toml", "faults.csv", "cautions.csv", "threads.csv"])
def test_one_slipped_digit_is_seen(file):
    text = text_of(file)
    for match in re.finditer(r"\d", text):
        slipped = text[: match.start()] + str((int(match[0]) + 1) % 10) + text[match.end() :]
        assert numbers(slipped, file.endswith(".csv")) != numbers(text, file.endswith(".csv"))
