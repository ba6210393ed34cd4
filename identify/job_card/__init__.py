"""The job card: one A4 page for the bench and the van, as HTML that needs nothing else, and as a tagged PDF.

Both are made from a case as JSON values, so that a case of today and one from the records give the same card.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from identify.job_card import content

__all__ = ["html", "pdf", "text"]


def html(
    case_json: Mapping[str, Any],
    overlay_jpeg: bytes | None,
    *,
    case_id: str = "",
    answers: Mapping[str, str] | None = None,
    made_at: datetime | str | None = None,
) -> str:
    """The card as one HTML file: picture, font and QR code lie in it, and it runs no script.

    Parameters
    ----------
    case_json : one object of the case contract.
    overlay_jpeg : the photo with the answer drawn on it; None where there is none.
    case_id : what the QR code says; no code where empty.
    answers : check id to what was answered; those checks are ticked.
    made_at : a time, or one as ISO 8601 text; now where None.

    Raises
    ------
    UsageError
        The case is of a photo that failed, or the picture is no JPEG.
    """
    from identify.job_card import page, paper

    card = content.card(case_json, overlay_jpeg, case_id=case_id, answers=answers or {}, made_at=made_at)
    return page.written(card, paper.fitting(card))


def pdf(
    case_json: Mapping[str, Any],
    overlay_jpeg: bytes | None,
    *,
    case_id: str = "",
    answers: Mapping[str, str] | None = None,
    made_at: datetime | str | None = None,
) -> bytes:
    """The card as a tagged PDF of one page; parameters and errors as `html` has them."""
    from identify.job_card import paper

    card = content.card(case_json, overlay_jpeg, case_id=case_id, answers=answers or {}, made_at=made_at)
    return paper.printed(card, paper.fitting(card))


def text(case_json: Mapping[str, Any], *, answers: Mapping[str, str] | None = None) -> str:
    """The words of the card for a terminal.

    Raises
    ------
    UsageError
        The case is of a photo that failed.
    """
    from identify.job_card import plain

    return plain.text(content.card(case_json, None, case_id="", answers=answers or {}, made_at=None))
