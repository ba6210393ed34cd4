"""How good the answers were, by what the shop confirmed.

Shares come with Wilson's score interval of 95 % (E. B. Wilson, Journal of the American Statistical Association 22,
1927): it stays sensible for few cases and for shares near 0 and 1.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from identify.model import UNSURE
from identify.records.kept import Confirmation, KeptCase

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


@dataclass(frozen=True, slots=True)
class _Told:
    """What is counted of one confirmed case; ``offs`` are quantity, value, u95 and the callipers' reading."""

    answer: str
    within: bool
    right: str | None
    returned: bool | None
    rank: int | None
    offs: tuple[tuple[str, float, float, float], ...]


def of(confirmed: Iterable[KeptCase], *, cases: int) -> Json:
    """All figures as JSON values.

    Returns
    -------
    ``class``: answers that named the right class, of those that named one; ``unsure`` is counted beside them;
    ``in_set``: the right class stood in the prediction set. ``orders``: parts that came back, of those where it is
    known. ``candidates``: what was handed out stood first, or among the first three, of the cases whose list has it.
    ``u95``: the photo's value ± its u95 held the callipers' reading, whose own uncertainty is not added.
    ``classes``: by the right class.
    """
    every = [_told(each, each.confirmation) for each in confirmed if each.confirmation is not None]
    known = [(each.answer, each.right) for each in every if each.right is not None]
    return {
        "cases": cases,
        "confirmed": len(every),
        "class": _class(known) | {"in_set": share(sum(each.within for each in every), len(known))},
        "orders": _orders([each.returned for each in every]),
        "candidates": _candidates([each.rank for each in every]),
        "u95": _coverage([off for each in every for off in each.offs]),
        "classes": _by_class(known),
    }


def _told(kept: KeptCase, said: Confirmation) -> _Told:
    offs = []
    for found in kept.case["measurements"]:
        reading = said.callipers_mm.get(found["quantity"])
        if reading is not None:
            value, u95 = (float(found.get(f"{key}_mm", found.get(key))) for key in ("value", "u95"))
            offs.append((found["quantity"], value, u95, reading))
    return _Told(
        answer=kept.case["class"]["answer"],
        within=said.right_class is not None and said.right_class in kept.case["class"]["set"],
        right=said.right_class,
        returned=said.returned,
        rank=_rank(kept.case["candidates"], said.handed_out.casefold()),
        offs=tuple(offs),
    )


def _rank(candidates: Sequence[Json], wanted: str) -> int | None:
    """Place of what was handed out among the candidates, by a row's id or one of the shop's part numbers."""
    rows = [row for row in candidates if row["id"] != OTHER]
    for place, row in enumerate(rows, start=1):
        known = [row["id"], *(offer["part_number"] for offer in row.get("stock", []))]
        if wanted and wanted in (str(name).casefold() for name in known):
            return place
    return None


def _class(pairs: Sequence[tuple[str, str]]) -> Json:
    named = [(answer, right) for answer, right in pairs if answer != UNSURE]
    return {
        "right": share(sum(answer == right for answer, right in named), len(named)),
        "unsure": share(len(pairs) - len(named), len(pairs)),
    }


def _orders(told: Sequence[bool | None]) -> Json:
    known = [returned for returned in told if returned is not None]
    return {"wrong": share(sum(known), len(known)), "not_known": len(told) - len(known)}


def _candidates(ranks: Sequence[int | None]) -> Json:
    listed = [rank for rank in ranks if rank is not None]
    return {
        "first": share(sum(rank == 1 for rank in listed), len(listed)),
        "first_three": share(sum(rank <= FIRST_ROWS for rank in listed), len(listed)),
        "not_listed": len(ranks) - len(listed),
    }


def _coverage(offs: Sequence[tuple[str, float, float, float]]) -> Json:
    quantities: dict[str, list[tuple[float, float, float]]] = {}
    for name, value, u95, reading in sorted(offs):
        quantities.setdefault(name, []).append((value, u95, reading))
    every = [one for some in quantities.values() for one in some]
    return {"all": _held(every), "quantities": {name: _held(some) for name, some in quantities.items()}}


def _held(values: Sequence[tuple[float, float, float]]) -> Json:
    within = sum(abs(value - reading) <= u95 for value, u95, reading in values)
    relative = [value / reading - 1 for value, _, reading in values]
    return share(within, len(values)) | {
        "median_off": statistics.median(map(abs, relative)) if relative else None,
        "mean_off": statistics.fmean(relative) if relative else None,
    }


def _by_class(pairs: Sequence[tuple[str, str]]) -> Json:
    said: dict[str, Counter[str]] = {}
    for answer, right in pairs:
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
