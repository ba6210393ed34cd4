"""How much of a case stands on one page: plans from roomy to tight, and the measures of the page in mm."""

from __future__ import annotations

from dataclasses import dataclass

PAGE_WIDTH, PAGE_HEIGHT = 210.0, 297.0
SIDE, TOP, BOTTOM = 15.0, 13.0, 11.0
WIDTH = PAGE_WIDTH - 2 * SIDE
GAP = 7.0  # between columns
QR_SIDE = 25.0
LEAST_PICTURE, MOST_PICTURE = 62.0, 86.0
PICTURE_WIDTH = 95.0  # at most
CHECKS_WIDTH = 108.0
PARTS_WIDTH = 48.0
FIELD_WIDTH = 19.0  # to write in what callipers read


@dataclass(frozen=True, slots=True)
class Plan:
    """How many of each thing are shown; ``picture_mm`` is the height that is left for the picture."""

    rows: int
    boxes: int
    changes: int
    reasons: int
    whole_cautions: bool
    picture_mm: float = LEAST_PICTURE


PLANS = (
    Plan(6, 9, 3, 4, True),
    Plan(5, 8, 3, 3, True),
    Plan(5, 6, 2, 3, True),
    Plan(4, 5, 2, 3, True),
    Plan(4, 4, 2, 2, True),
    Plan(3, 4, 1, 2, True, 56.0),
    Plan(3, 3, 1, 1, True, 46.0),
    Plan(3, 4, 1, 1, False, 48.0),
    Plan(3, 3, 1, 1, False, 40.0),
    Plan(2, 3, 1, 0, False, 40.0),
    Plan(2, 2, 0, 0, False, 36.0),
)


def picture_size(picture_hw: tuple[int, int], plan: Plan) -> tuple[float, float]:
    """Width and height of the picture on the page [mm]."""
    high, wide = picture_hw
    height = min(plan.picture_mm, PICTURE_WIDTH * high / wide)
    return height * wide / high, height


def first_sentence(text: str) -> str:
    """The text up to its first full stop that ends a sentence."""
    end = text.find(". ")
    return text if end < 0 else text[: end + 1]
