"""How good the answers were, by what the shop confirmed.

Shares come with Wilson's score interval of 95 % (E. B. Wilson, Journal of the American Statistical Association 22,
1927): it stays sensible for few cases and for shares near 0 and 1.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Sequence
from typing import Any

from identify.model import UNSURE
from identify.records.kept import KeptCase

Json = dict[str, Any]
Z95 = statistics.NormalDist().inv_cdf(0.975)
OTHER, FIRST_ROWS = "other", 3


def wilson(count: int, of: int) -> tuple[float, float]:
    """Bounds of the 95 % interval of a share; 0 and 1 where nothing was counted.

    >>> [round(bound, 4) for bound in wilson(8, 10)]
    [0.4902, 0.9433]
    """
    if of == 0:
        return 0.0, 1.0
    share, spread = count / of, Z95 * Z95 / of
    centre = (share + spread / 2) / (1 + spread)
    half = math.sqrt(spread * (share * (1 - share) + spread / 4)) / (1 + spread)
    return max(0.0, centre - half), min(1.0, centre + half)


def share(count: int, of: int) -> Json:
    """A share with its interval; ``share`` is None where nothing was counted."""
    low, high = wilson(count, of)
    return {"count": count, "of": of, "share": count / of if of else None, "low": low, "high": high}


def of(confirmed: Sequence[KeptCase], *, cases: int) -> Json:
    """All figures as JSON values.

    Returns
    -------
    ``class``: answers that named the right class, of those that named one; ``unsure`` is counted beside them;
    ``in_set``: the right class stood in the prediction set. ``orders``: parts that came back, of those where it is
    known. ``candidates``: what was handed out stood first, or among the first three, of the cases whose list has it.
    ``u95``: the photo's value ± its u95 held the callipers' reading, whose own uncertainty is not added.
    ``classes``: by the right class.
    """
    known = [each for each in confirmed if each.confirmation is not None and each.confirmation.right_class is not None]
    return {
        "cases": cases,
        "confirmed": len(confirmed),
        "class": _class(known),
        "orders": _orders(confirmed),
        "candidates": _candidates(confirmed),
        "u95": _coverage(confirmed),
        "classes": _by_class(known),
    }


def _pairs(known: Sequence[KeptCase]) -> list[tuple[str, str]]:
    """Answer and right class of each case."""
    return [
        (each.case["class"]["answer"], each.confirmation.right_class)
        for each in known
        if each.confirmation is not None and each.confirmation.right_class is not None
    ]


def _class(known: Sequence[KeptCase]) -> Json:
    pairs = _pairs(known)
    named = [(answer, right) for answer, right in pairs if answer != UNSURE]
    held = sum(right in each.case["class"]["set"] for each, (_, right) in zip(known, pairs, strict=True))
    return {
        "right": share(sum(answer == right for answer, right in named), len(named)),
        "unsure": share(len(pairs) - len(named), len(pairs)),
        "in_set": share(held, len(pairs)),
    }


def _orders(confirmed: Sequence[KeptCase]) -> Json:
    told = [each.confirmation.returned for each in confirmed if each.confirmation is not None]
    known = [returned for returned in told if returned is not None]
    return {"wrong": share(sum(known), len(known)), "not_known": len(told) - len(known)}


def _candidates(confirmed: Sequence[KeptCase]) -> Json:
    ranks = [_rank(each) for each in confirmed]
    listed = [rank for rank in ranks if rank is not None]
    return {
        "first": share(sum(rank == 1 for rank in listed), len(listed)),
        "first_three": share(sum(rank <= FIRST_ROWS for rank in listed), len(listed)),
        "not_listed": len(ranks) - len(listed),
    }


def _rank(kept: KeptCase) -> int | None:
    """Place of what was handed out among the candidates, by a row's id or one of the shop's part numbers."""
    wanted = kept.confirmation.handed_out.casefold() if kept.confirmation is not None else ""
    rows = [row for row in kept.case["candidates"] if row["id"] != OTHER]
    for place, row in enumerate(rows, start=1):
        known = [row["id"], *(offer["part_number"] for offer in row.get("stock", []))]
        if wanted and wanted in (str(name).casefold() for name in known):
            return place
    return None


def _coverage(confirmed: Sequence[KeptCase]) -> Json:
    offs: dict[str, list[tuple[float, float, float]]] = {}
    for each in confirmed:
        readings = each.confirmation.callipers_mm if each.confirmation is not None else {}
        for found in each.case["measurements"]:
            if found["quantity"] in readings:
                value, u95 = (float(found.get(f"{key}_mm", found.get(key))) for key in ("value", "u95"))
                offs.setdefault(found["quantity"], []).append((value, u95, readings[found["quantity"]]))
    every = [one for some in offs.values() for one in some]
    return {"all": _held(every), "quantities": {name: _held(offs[name]) for name in sorted(offs)}}


def _held(values: Sequence[tuple[float, float, float]]) -> Json:
    within = sum(abs(value - reading) <= u95 for value, u95, reading in values)
    relative = [value / reading - 1 for value, _, reading in values]
    return share(within, len(values)) | {
        "median_off": statistics.median(map(abs, relative)) if relative else None,
        "mean_off": statistics.fmean(relative) if relative else None,
    }


def _by_class(known: Sequence[KeptCase]) -> Json:
    said: dict[str, Counter[str]] = {}
    for answer, right in _pairs(known):
        said.setdefault(right, Counter())[answer] += 1
    told = {}
    for right in sorted(said):
        counts = said[right]
        named = counts.total() - counts[UNSURE]
        wrong = {name: count for name, count in counts.most_common() if name not in (right, UNSURE)}
        told[right] = {
            "confirmed": counts.total(),
            "right": share(counts[right], named),
            "unsure": counts[UNSURE],
            "taken_for": wrong,
        }
    return told
