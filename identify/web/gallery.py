"""Our own rendered example pictures of each class, by the view in which it may be seen."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent / "pictures"


@cache
def listed() -> dict[str, dict[str, str]]:
    """Class id to view to file name; ``pictures.toml`` also says where each comes from."""
    with (FOLDER / "pictures.toml").open("rb") as file:
        told = tomllib.load(file)
    found: dict[str, dict[str, str]] = {}
    for each in told["picture"]:
        found.setdefault(each["class"], {}).setdefault(each["view"], each["file"])
    return found


def picture(class_id: str, view: str) -> str:
    """File name of the example nearest to that view; empty where there is none."""
    views = listed().get(class_id, {})
    return views.get(view) or next(iter(views.values()), "")
