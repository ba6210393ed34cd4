"""Sentences folded to the width of a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from identify.model import Caution

WIDTH = 88


def fold(text: str, indent: int = 0, hang: int = 2) -> str:
    """One paragraph, its first line indented by ``indent``, the others by ``hang`` more."""
    return textwrap.fill(
        text, WIDTH, initial_indent=" " * indent, subsequent_indent=" " * (indent + hang), break_on_hyphens=False
    )


def listed(heading: str, items: Iterable[str]) -> list[str]:
    """A heading with its items; nothing where there are none."""
    lines = [fold(f"- {item}", 2) for item in items]
    return ["", heading, *lines] if lines else []


def warned(cautions: Iterable[Caution]) -> list[str]:
    """The cautions, each once."""
    return listed("Take care", dict.fromkeys(caution.text for caution in cautions))


def warnings_json(cautions: Iterable[Caution]) -> list[dict[str, str]]:
    """The cautions as the case has them."""
    return [{"text": caution.text, "source": caution.source} for caution in dict.fromkeys(cautions)]
