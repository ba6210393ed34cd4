"""What is known for sure of a part: what the user answered, and what the photo shows with enough certainty."""

from __future__ import annotations

from collections.abc import Mapping

from identify.model import Recognition
from identify.rules.evidence import Evidence, gather
from identify.tables import Tables

UNSEEN = Recognition("", {}, (), "", {}, None, "")


def known(evidence: Evidence, tables: Tables) -> dict[str, str]:
    """Attribute to its value."""
    sure = tables.setting("conversion_known")
    return {name: one.answer for name, one in evidence.told.items() if one.by == "user" or one.certainty >= sure}


def told(answers: Mapping[str, str], tables: Tables, seen: Recognition = UNSEEN) -> dict[str, str]:
    """Attribute to its value, from answers and a photo where there is one.

    Raises
    ------
    UsageError
        If an answer belongs to no check, or is none of its answers.
    """
    return known(gather(seen, [], answers, tables), tables)
