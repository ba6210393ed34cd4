"""What tells two classes apart, in words: what each would answer to the checks that ask for the class."""

from __future__ import annotations

from dataclasses import dataclass

from identify.rules.evidence import CLASS
from identify.tables import Tables, load


@dataclass(frozen=True, slots=True)
class Contrast:
    """One question, and what is seen where it is the one class or the other."""

    question: str
    first: str
    second: str


def contrasts(first: str, second: str, tables: Tables | None = None) -> tuple[Contrast, ...]:
    """Questions that two classes answer differently, the quickest to answer first.

    Parameters
    ----------
    first, second : class ids.
    """
    found = []
    for row in sorted((tables or load()).checks.values(), key=lambda row: (row.minutes, row.id)):
        if row.decides == CLASS:
            said = {meant: words for words, meant in row.answers.items()}
            if first in said and second in said:
                found.append(Contrast(row.question, said[first], said[second]))
    return tuple(found)
