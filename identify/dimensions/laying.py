"""Quantities of a lying part at every pose that the reference allows: the outline's own, and those of its stubs."""

from __future__ import annotations

from collections.abc import Sequence

from identify import tables
from identify.dimensions import reading, stub
from identify.dimensions.reading import Reading
from identify.dimensions.zone import Listed
from identify.model import UNSURE, Outline, Photo, Plane
from identify.tables.rows import CandidateRow

THREAD = ("thread_major_diameter", "thread_pitch")
CLEAR = 0.9  # of a part's length: where so much has edges a second look finds no others; calibration split
OWN_ROWS = 0.85  # of a thread's share by the rows of the part's class, the rest by those of all classes

Quantities = dict[str, list[tuple[float, float, Reading]]]


def lay(
    photo: Photo, outline: Outline, plane: Plane, u_size_rel: float, answer: str, wanted: Sequence[str]
) -> Quantities:
    """What a lying part shows, by name: at each pose its weight, 0, and the reading.

    A wanted thread that the usual look does not tell is looked for once more, where one clear edge will do, if not all
    edges are clear and the class is one that is told by its thread: others have smooth stretches that pass for one.

    Parameters
    ----------
    answer : class id, or unsure
    """
    found, clear = _looked(photo, outline, plane, u_size_rel, answer, alone=False)
    told = answer != UNSURE and tables.load().fitting(answer).main_quantity == THREAD[0]
    if told and THREAD[0] in wanted and THREAD[0] not in found and clear < CLEAR:
        again, _ = _looked(photo, outline, plane, u_size_rel, answer, alone=True)
        found |= {name: ways for name, ways in again.items() if name in THREAD and name not in found}
    if outline.cut_off:
        found.pop("overall_length", None)
    return found


def _looked(
    photo: Photo, outline: Outline, plane: Plane, u_size_rel: float, answer: str, *, alone: bool
) -> tuple[Quantities, float]:
    """One look at the part, or at its stubs where it is not turned about its long axis, and how clear its edges are.

    That is the share of its length where they are found; 0 of stubs, or where it does not settle.
    """
    found: Quantities = {}
    known = None if answer == UNSURE else tables.load().fitting(answer)
    turned = known is None or known.turned
    has_thread = known.main_quantity == THREAD[0] if known is not None and turned else None
    threads = listed(answer)
    ways = reading.lie(photo, outline, plane.camera, plane.poses, threads, has_thread, alone=alone)
    for pose, lain in zip(plane.poses, ways, strict=True):
        if lain is None:
            continue
        for name, one in reading.read(lain, outline, u_size_rel=u_size_rel).items():
            if name == THREAD[0] and lain.crests is None and not turned:
                continue  # the outline's axis need not be the thread's, so only turns that are seen tell it
            found.setdefault(name, []).append((pose.weight, 0.0, one))
    if not turned and THREAD[0] not in found:
        for pose in plane.poses:
            lain = stub.lie(photo, outline, plane.camera, pose, threads, alone=alone)
            if lain is not None:
                one = reading.read(lain, outline, u_size_rel=u_size_rel)[THREAD[0]]
                found.setdefault(THREAD[0], []).append((pose.weight, 0.0, one))
    clear = 0.0 if ways[0] is None or not turned else float(ways[0].usable.mean())
    return found, clear


def listed(answer: str = UNSURE) -> tuple[Listed, ...]:
    """The threads that rows of replacement dimensions name, each with its share of their weights.

    Rows of the class that was told count most, where they name any.
    """
    known = tables.load()
    rows = [row for row in known.candidates.values() if row.thread in known.threads]
    every = _shares(rows)
    own = _shares([row for row in rows if row.class_id == answer]) or every
    sizes = ((known.threads[name], OWN_ROWS * own.get(name, 0.0) + (1 - OWN_ROWS) * every[name]) for name in every)
    return tuple(Listed(size.major_mm, size.pitch_mm, share) for size, share in sizes)


def _shares(rows: Sequence[CandidateRow]) -> dict[str, float]:
    """Each thread's share of the weights of rows, by its name."""
    weights: dict[str, float] = {}
    for row in rows:
        weights[row.thread] = weights.get(row.thread, 0.0) + row.prior
    whole = sum(weights.values())
    return {name: weight / whole for name, weight in sorted(weights.items())}
