"""One photo's way: the steps in order, nothing else.

photo, recognition, reference, plane, outline, dimensions, quality, verdict: each step is handed what the earlier
ones found; one that failed is a value, and the road goes on without it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from identify import classifier as recognisers
from identify import dimensions, fusion, outline, photo, plane, quality, reference, rules, tables
from identify.classifier import Classifier
from identify.model import (
    UNSURE,
    Case,
    Measurement,
    NotMeasured,
    Outline,
    Photo,
    PhotoFacts,
    Plane,
    Recognition,
    Reference,
    Remark,
)
from identify.retake import nothing_to_measure
from identify.tables.stock import Stock

AUTO = "auto"
PART_LABEL = 1
Source = str | Path | bytes


def identify_photo(
    source: Source,
    *,
    name: str | None = None,
    scale: str = AUTO,
    on_part: bool = False,
    height_mm: float | None = None,
    answers: Mapping[str, str] | None = None,
    classifier: Classifier | None = None,
    stock: Stock | None = None,
) -> tuple[Case, Photo]:
    """Say what the part in one photo is, measure it, and rank what may replace it.

    Parameters
    ----------
    source : a path, or the bytes of the file.
    scale : auto, a reference object's id such as eur-1 or card, or coin:DIAMETER_IN_MM.
    on_part : the reference object lies on the part's top, not on the bench.
    height_mm : height of a standing part's measured rim over the bench, where the user knows it [mm].
    answers : check id to the user's answer.
    classifier : the shipped one where not given.
    stock : the shop's own list, ranked beside the rows of the tables.

    Raises
    ------
    PhotoError
        The photo can't be read.
    UsageError
        No reference object has that name, or an answer belongs to no check.
    ModelError
        The model file is missing or damaged.
    """
    check_scale(scale)
    shot = photo.load(source, name=name)
    recognition = (classifier or recognisers.load()).recognise(shot)
    seen = _seen(shot, recognition, scale, on_part)
    measured, missed = _measured(shot, recognition, seen, height_mm)
    remarks = quality.assess(shot, part_mask=_part_mask(recognition, seen), reference=seen.reference, plane=seen.plane)
    return _case((shot,), recognition, seen, measured, missed, remarks, answers, stock), shot


def identify_part(
    cases: Sequence[Case], *, answers: Mapping[str, str] | None = None, stock: Stock | None = None
) -> Case:
    """One case from the cases of several photos of one part."""
    recognition = fusion.recognitions([case.recognition for case in cases])
    measured, missed = fusion.measurements([case.measurements for case in cases], [case.not_measured for case in cases])
    best = max(cases, key=lambda case: len(case.measurements))
    return replace(
        best,
        photos=tuple(facts for case in cases for facts in case.photos),
        recognition=recognition,
        measurements=measured,
        not_measured=missed,
        verdict=rules.judge(recognition, measured, answers=dict(answers or {}), stock=stock),
        remarks=tuple(remark for case in cases for remark in case.remarks),
    )


def rejudge(case: Case, answers: Mapping[str, str], *, stock: Stock | None = None) -> Case:
    """The same part with other answers, or another stock list: nothing is recognised or measured again.

    Raises
    ------
    UsageError
        An answer belongs to no check, or is none of its answers.
    """
    return replace(case, verdict=rules.judge(case.recognition, case.measurements, answers=dict(answers), stock=stock))


def check_scale(scale: str) -> None:
    """Raise UsageError where no reference object has that name."""
    if scale != AUTO:
        tables.load().reference(scale)


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What there is to measure with; ``missing`` says why where something lacks."""

    reference: Reference | None = None
    plane: Plane | None = None
    outline: Outline | None = None
    missing: NotMeasured | None = None


def _seen(shot: Photo, recognition: Recognition, scale: str, on_part: bool) -> _Seen:
    refusal = nothing_to_measure(recognition)
    if refusal is not None and scale == AUTO:  # a NotMeasured is falsy
        return _Seen(missing=refusal)
    found = reference.find(shot, scale, on_part=on_part, labels=recognition.labels)
    if isinstance(found, NotMeasured):
        return _Seen(missing=refusal if refusal is not None else found)
    bench = plane.see(shot, found)
    if isinstance(bench, NotMeasured):
        return _Seen(missing=refusal if refusal is not None else bench)
    if refusal is not None:
        return _Seen(found, bench, missing=refusal)
    traced = outline.trace(shot, reference=found, labels=recognition.labels)
    if isinstance(traced, NotMeasured):
        return _Seen(found, bench, missing=traced)
    return _Seen(found, plane.beneath(bench, found, traced.contour_px.mean(axis=0)), traced)


def _part_mask(recognition: Recognition, seen: _Seen) -> NDArray[np.bool_] | None:
    if seen.outline is not None and seen.outline.inside.any():
        return seen.outline.inside
    return None if recognition.labels is None else recognition.labels == PART_LABEL


def _measured(
    shot: Photo, recognition: Recognition, seen: _Seen, height_mm: float | None
) -> tuple[tuple[Measurement, ...], tuple[NotMeasured, ...]]:
    wanted = wanted_quantities(recognition)
    if seen.outline is None or seen.plane is None:
        assert seen.missing is not None
        return (), tuple(replace(seen.missing, quantity=quantity) for quantity in wanted)
    return dimensions.measure(
        shot,
        seen.outline,
        seen.plane,
        reference=seen.reference,
        view=recognition.view,
        answer=measured_as(recognition),
        wanted=wanted,
        height_mm=height_mm,
    )


def measured_as(recognition: Recognition) -> str:
    """The class as whose a part is measured: the answer or, where it is unsure, the one class that is left possible.

    Unsure where several are: then only what tells itself on any part is measured.
    """
    names = recognition.taken_as
    return names[0] if len(names) == 1 else UNSURE


def wanted_quantities(recognition: Recognition) -> tuple[str, ...]:
    """What is worth measuring of this class, or of every class that is not ruled out where the answer is unsure."""
    rows = [tables.load().fitting(name) for name in recognition.taken_as]
    return tuple(dict.fromkeys(quantity for row in rows for quantity in row.quantities))


def _case(
    shots: Sequence[Photo],
    recognition: Recognition,
    seen: _Seen,
    measured: Sequence[Measurement],
    missed: Sequence[NotMeasured],
    remarks: Sequence[Remark],
    answers: Mapping[str, str] | None,
    stock: Stock | None,
) -> Case:
    of_files = [Remark("file", text, "Send the original file.") for shot in shots for text in shot.remarks]
    return Case(
        photos=tuple(PhotoFacts(s.file, s.sha256, s.width_px, s.height_px, s.focal35_mm) for s in shots),
        recognition=recognition,
        reference=seen.reference,
        plane=seen.plane,
        measurements=tuple(measured),
        not_measured=tuple(missed),
        verdict=rules.judge(recognition, tuple(measured), answers=dict(answers or {}), stock=stock),
        remarks=(*of_files, *remarks),
        tables_version=tables.version(),
        outline=seen.outline,
    )
