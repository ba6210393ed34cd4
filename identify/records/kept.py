"""What the records give back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What was really handed out, and what is known of it since.

    Parameters
    ----------
    right_class : class of the part as people saw it; None where nobody said.
    callipers_mm : quantity to what the shop's callipers read [mm]; a count for a quantity that is one.
    returned : the part came back as wrong; None where that is not known yet.
    """

    confirmed_at: str
    handed_out: str
    right_class: str | None
    callipers_mm: dict[str, float]
    returned: bool | None
    note: str


@dataclass(frozen=True, slots=True, eq=False)
class KeptCase:
    """One case as kept; times are UTC as ISO 8601.

    Parameters
    ----------
    case : the case as JSON values, files by their bare names.
    answers : check id to what was answered.
    photos : SHA-256 of the original photos whose pictures are kept.
    """

    id: str
    made_at: str
    changed_at: str
    case: dict[str, Any]
    answers: dict[str, str] = field(default_factory=dict)
    overlay_jpeg: bytes | None = None
    photos: tuple[str, ...] = ()
    confirmation: Confirmation | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One case in a list.

    Parameters
    ----------
    files : bare names of its photos.
    answer, probability : what the photo was said to show.
    first : the most probable replacement, in words; empty where there is none.
    """

    id: str
    made_at: str
    files: tuple[str, ...]
    answer: str
    probability: float
    first: str
    confirmed: bool
    handed_out: str
    right_class: str | None
    returned: bool | None
