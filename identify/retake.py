"""The one photo that would help most next: one reason, one action, and the drawing that shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from identify import tables
from identify.model import UNSURE, Case, NotMeasured, Recognition

INSTALLED = "installed"
LYING, END_ON, TAKE_OUT, WHOLE, LIGHT, STRAIGHT, REFERENCE = (
    *("lying", "end-on", "take-out", "whole", "light", "straight", "reference"),
)
OF_REMARKS = {  # kind of remark to the drawing that mends it, the worst first
    "cut off": WHOLE,
    "blur": LIGHT,
    "dark": LIGHT,
    "bright": LIGHT,
    "glare": LIGHT,
    "resolution": WHOLE,
    "tilt": STRAIGHT,
    "plane": STRAIGHT,
    "distance": STRAIGHT,
    "reference": REFERENCE,
    "coin": REFERENCE,
}
COUNTED_END_ON = ("spline_count", "spline_diameter")
SEEN_END_ON = (*COUNTED_END_ON, "stem_square")


@dataclass(frozen=True, slots=True)
class NextPhoto:
    """Why another photo helps, what to do, and the drawing of it (``lying``, ``end-on``, ``take-out`` …)."""

    reason: str
    action: str
    drawing: str


def next_photo(case: Case) -> NextPhoto | None:
    """The photo to take next, where the class is unsure or a size is missing; None where neither is.

    Of all reasons the one is told without which the others can't be mended: first that the part is in view, then
    that there is a scale, then what spoils the picture, then the side that was not shown.
    """
    unsure = case.recognition.answer == UNSURE or not tables.load().fitting(case.recognition.answer).part
    missing = [miss for miss in case.not_measured if miss.quantity not in SEEN_END_ON]
    if not (unsure or case.not_measured):
        return None
    return (
        _out_of_view(case)
        or _without_scale(case)
        or _spoilt(case, unsure, missing)
        or _first_missing(missing, case)
        or _other_side(case, unsure)
    )


def nothing_to_measure(recognition: Recognition) -> NotMeasured | None:
    """Why a photo that shows no loose part is not measured."""
    if recognition.view == INSTALLED:
        reason = "The photo shows an installed tap, not the part on a table."
        return NotMeasured("", reason, "Take the part out (isolate the water first), lay it beside a coin and retake.")
    if recognition.answer != UNSURE and not tables.load().fitting(recognition.answer).part:
        return NotMeasured("", "No fitting was seen.", "Lay the part in the middle of the picture and retake.")
    return None


def _out_of_view(case: Case) -> NextPhoto | None:
    seen = case.recognition
    if seen.view == INSTALLED and (seen.answer == UNSURE or tables.load().fitting(seen.answer).part):
        reason = "The photo shows an installed tap: the part that wears is inside, and nothing can be measured."
        return NextPhoto(reason, "Shut the water off, take the part out, and lay it beside a coin or card.", TAKE_OUT)
    if seen.answer != UNSURE and not tables.load().fitting(seen.answer).part:
        return NextPhoto("No fitting was seen.", "Lay the part alone in the middle, beside a coin or card.", LYING)
    return None


def _without_scale(case: Case) -> NextPhoto | None:
    if case.reference is not None or not case.not_measured:
        return None
    miss = case.not_measured[0]
    return NextPhoto(miss.reason, miss.advice, REFERENCE)


def _spoilt(case: Case, unsure: bool, missing: Sequence[NotMeasured]) -> NextPhoto | None:
    """What spoils the picture, where that can be why the class or a size is missing."""
    if not (unsure or missing):
        return None
    kinds = list(OF_REMARKS)
    spoilt = sorted((each for each in case.remarks if each.kind in OF_REMARKS), key=lambda each: kinds.index(each.kind))
    return NextPhoto(spoilt[0].text, spoilt[0].advice, OF_REMARKS[spoilt[0].kind]) if spoilt else None


def _first_missing(missing: Sequence[NotMeasured], case: Case) -> NextPhoto | None:
    """The missing size that the class is known by, else the first."""
    if not missing:
        return None
    answer = case.recognition.answer
    main = "" if answer == UNSURE else tables.load().fitting(answer).main_quantity
    miss = next((each for each in missing if each.quantity == main), missing[0])
    return NextPhoto(miss.reason, miss.advice, LYING)


def _other_side(case: Case, unsure: bool) -> NextPhoto | None:
    if unsure:
        return NextPhoto("One side leaves it open what this is.", "Photograph the part end-on as well.", END_ON)
    miss = next((each for each in case.not_measured if each.quantity in COUNTED_END_ON), None)
    return None if miss is None else NextPhoto(miss.reason, miss.advice, END_ON)
