"""Dimensions of the part in millimetres, each with its budget, or the reason why not and what would help."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from identify import tables
from identify.dimensions import laying, lip, spline, standing, stem
from identify.dimensions.laying import Quantities
from identify.dimensions.reading import Reading
from identify.model import UNSURE, Array, Measurement, NotMeasured, Outline, Photo, Plane, Pose, Reference
from identify.tables.rows import FittingClass
from identify.uncertainty import mixed_budget, mixture

STANDING, INSTALLED = "standing", "installed"
U_SIZE_REL = 0.001
U_GIVEN_MM = 1.0  # a height that the user read off a rule
UNKNOWN_HEIGHT = standing.Height(40.0, 20.0, "nothing known of the height")
UNITLESS = ("spline_count",)
VAGUEST = 0.20  # of the value: a wider interval helps nobody
VAGUEST_STANDING = 0.12  # more leaves three neighbouring sizes of a body open
_VAGUE_HELP = "Go nearer, 250 to 350 mm, hold the camera straight above and retake, or use a calliper."

Result = tuple[tuple[Measurement, ...], tuple[NotMeasured, ...]]


def measure(
    photo: Photo,
    outline: Outline | None,
    plane: Plane | None,
    *,
    reference: Reference | None,
    view: str,
    answer: str,
    wanted: tuple[str, ...],
    height_mm: float | None = None,
) -> Result:
    """Measure what is wanted of the part.

    Parameters
    ----------
    outline, plane, reference : what the earlier steps found, None where they did not.
    view : lying, standing or installed.
    answer : class id, or unsure; it only sets what a standing part's height usually is.
    wanted : quantities to account for: each comes out measured or not measured.
    height_mm : height of a standing part's rim over the bench, where the user knows it [mm].

    Returns
    -------
    tuple of Measurement, tuple of NotMeasured
        The wanted quantities in their order; those that the photo can't give, each with its reason.
    """
    refusal = _refusal(outline, plane, view)
    if refusal is not None or outline is None or plane is None:
        why = _NO_SCALE if refusal is None else refusal
        return (), tuple(NotMeasured(name, why.reason, why.advice) for name in wanted)
    u_size_rel = reference.u_size_rel if reference is not None else U_SIZE_REL
    uncounted: NotMeasured | None = None
    on_end = view != STANDING and "body_diameter" in wanted and _on_end(outline, plane, answer)
    view = STANDING if on_end else view
    if view == STANDING:
        on_part = reference is not None and reference.on_part
        prior = _height(None if on_end else answer, height_mm)
        found, upright = _standing(photo, outline, plane, prior, u_size_rel, on_part=on_part)
        if not outline.cut_off and not on_part and stem.COUNT in wanted:
            uncounted = _count_teeth(photo, plane, upright, u_size_rel, found)
    else:
        found = laying.lay(photo, outline, plane, u_size_rel, answer, wanted)
    turned = answer == UNSURE or tables.load().fitting(answer).turned
    for name in () if turned else tuple(_NOT_TURNED):
        found.pop(name, None)
    mixed = [_mixed(name, found[name]) for name in wanted if name in found]
    measured, vague = _sharp(mixed, view)
    missed = [_missed(name, outline, view, turned=turned) for name in wanted if name not in found]
    if uncounted is not None:  # a NotMeasured is falsy
        missed = [replace(uncounted, quantity=one.quantity) if one.quantity in stem.SPLINES else one for one in missed]
    return measured, (*vague, *missed)


def _sharp(mixed: list[Measurement], view: str) -> Result:
    """What is sharp enough to help, and what is not."""
    standing = view == STANDING
    limits = [VAGUEST_STANDING if standing and one.quantity == "body_diameter" else VAGUEST for one in mixed]
    pairs = [(one, one.u95 <= limit * one.value) for one, limit in zip(mixed, limits, strict=True)]
    why = _VAGUE_STANDING if standing else _VAGUE
    return tuple(one for one, sharp in pairs if sharp), tuple(
        NotMeasured(one.quantity, *why) for one, sharp in pairs if not sharp
    )


_VAGUE = "The photo leaves it too uncertain.", _VAGUE_HELP
_VAGUE_STANDING = (
    "How high the part's rim stands over the bench is not seen well enough, and its diameter hangs on that.",
    "Lay the coin on the part's top and say `--scale-on part`, lay the part on its side, or give the rim's `--height`.",
)
_NO_SCALE = NotMeasured(
    "", "There is no scale in the photo.", "Lay a coin, bank card or ruler flat beside the part and retake."
)
_NO_OUTLINE = NotMeasured(
    "",
    "The outline of the part was not found.",
    "Lay the part alone on a plain sheet of paper, whole in the picture, and retake.",
)
_INSTALLED = NotMeasured(
    "",
    "The photo shows an installed tap; its insert is hidden.",
    "Shut the water off, take the insert out, lay it beside a coin or card and photograph it from above.",
)


def _refusal(outline: Outline | None, plane: Plane | None, view: str) -> NotMeasured | None:
    if view == INSTALLED:
        return _INSTALLED
    if plane is None:
        return _NO_SCALE
    return _NO_OUTLINE if outline is None else None


def _standing(
    photo: Photo, outline: Outline, plane: Plane, prior: standing.Height, u_size_rel: float, *, on_part: bool
) -> tuple[Quantities, _Upright | None]:
    """What the outline gives, and the likeliest axis of the part."""
    if outline.cut_off:
        return {}, None
    rim_mm = 0.0 if on_part else None
    stood = _ways(outline, plane, prior, u_size_rel, rim_mm)
    if not stood:
        return {}, None
    _, pose, best = max(stood, key=lambda way: way[0])
    size_px = float(np.ptp(best.points_px, axis=0).max())
    lip_px = lip.width_px(photo, best.points_px[best.rim], best.outward[best.rim], size_px)
    if lip_px is not None:
        stood = _ways(standing.with_lip(outline, best, lip_px), plane, prior, u_size_rel, rim_mm)
    found: Quantities = {}
    for _, at, one in stood:
        estimate = one.estimate if lip_px is None else standing.doubted(one, lip_px)
        edges = (one.points_px[one.used],)
        read = Reading("body_diameter", estimate, _method(one, prior, on_part), one.line_px, edges)
        found.setdefault("body_diameter", []).append((at.weight, one.likelihood, read))
    return found, _Upright(pose, best.shape_mm[:2])


def _ways(
    outline: Outline, plane: Plane, prior: standing.Height, u_size_rel: float, rim_mm: float | None
) -> list[tuple[float, Pose, standing.Stood]]:
    """How the body may stand at each pose, with the logarithm of how likely that is."""
    return [
        (one.likelihood + float(np.log(max(pose.weight, 1e-9))), pose, one)
        for pose in plane.poses
        for one in standing.stand(outline, plane.camera, pose, prior, u_size_rel=u_size_rel, rim_mm=rim_mm)
    ]


def _count_teeth(
    photo: Photo, plane: Plane, upright: _Upright | None, u_size_rel: float, found: Quantities
) -> NotMeasured | None:
    """Add the stem's splines to what was found; why not, where they can't be told."""
    if upright is None:
        return stem.missed(spline.UNCLEAR)
    teeth = stem.read(photo, plane.camera, upright.pose, upright.foot_mm, u_size_rel=u_size_rel)
    if isinstance(teeth, NotMeasured):
        return teeth
    found |= {name: [(1.0, 0.0, one)] for name, one in teeth.items()}
    return None


@dataclass(frozen=True, slots=True, eq=False)
class _Upright:
    """The axis of a standing part: the pose it was found at, and its place (2,) on the bench [mm]."""

    pose: Pose
    foot_mm: Array


def _on_end(outline: Outline, plane: Plane, answer: str) -> bool:
    """Whether a part that seems to lie stands on an end: turned over it is seldom taken for a standing one."""
    if outline.cut_off or not (answer == UNSURE or tables.load().fitting(answer).turned):
        return False
    return standing.upright(outline, plane.camera, max(plane.poses, key=lambda pose: pose.weight))


def _height(answer: str | None, height_mm: float | None) -> standing.Height:
    """What is known of the rim's height of a part of a class; ``answer`` None where it may be turned over."""
    row = None if answer in (None, UNSURE) else tables.load().fitting(str(answer))
    known = UNKNOWN_HEIGHT if answer is not None else standing.EITHER_WAY
    if height_mm is not None:
        known = replace(known, value_mm=height_mm, u_mm=U_GIVEN_MM, source="height given")
    elif row is not None and row.height_mm is not None and row.u_height_mm is not None:
        known = standing.Height(row.height_mm, row.u_height_mm, "usual height of the class")
    if row is None or known is UNKNOWN_HEIGHT:
        return known
    return replace(known, form=_form(row), narrow=row.narrow_foot and height_mm is None)


def _form(row: FittingClass) -> standing.Form | None:
    """What the table knows of the body below its rim; None where it knows nothing."""
    if row.foot_mm is None or row.u_foot_mm is None or row.u_step_mm is None or row.u_rest_mm is None:
        return None
    return standing.Form(
        row.foot_mm,
        row.u_foot_mm,
        row.step_mm or 0.0,
        row.u_step_mm,
        wider=not row.narrow_foot,
        rest_mm=row.rest_mm,
        u_rest_mm=row.u_rest_mm,
    )


def _method(stood: standing.Stood, prior: standing.Height, on_part: bool) -> str:
    if on_part:
        return "standing, rim in the plane of the reference on the part"
    if stood.base and stood.u_height_mm < 0.5 * prior.u_mm:
        return f"standing, rim and base seen, rim {stood.shape_mm[3]:.0f} mm up"
    return f"standing, rim {stood.shape_mm[3]:.0f} mm up ({prior.source})"


def _mixed(name: str, ways: list[tuple[float, float, Reading]]) -> Measurement:
    likeliest = max(likelihood for _, likelihood, _ in ways)
    weights = [weight * float(np.exp(likelihood - likeliest)) for weight, likelihood, _ in ways]
    estimates = [one.estimate for _, _, one in ways]
    value, u95 = mixture(estimates, weights)
    best = ways[int(np.argmax(weights))][2]
    one_pose = len({weight for weight, _, _ in ways}) == 1
    between = "what shows of its foot" if one_pose else "sign of the tilt"
    return Measurement(
        quantity=name,
        value=value,
        u95=u95,
        unit="1" if name in UNITLESS else "mm",
        method=best.method,
        budget=mixed_budget(estimates, weights, between=between),
        line_px=best.line_px,
        edges_px=best.edges_px,
    )


_LYING_HELP = {
    "thread_pitch": (
        "No thread with at least five clear turns was seen.",
        "Lay the part on its side, 250 to 350 mm from the camera, sharp and evenly lit, and retake.",
    ),
    "thread_major_diameter": (
        "No stretch of the part could be told to be its thread.",
        "Lay the part on its side, 250 to 350 mm from the camera, sharp and evenly lit, and retake.",
    ),
    "hex_across_flats": (
        "No hexagon with visible flats was seen.",
        "Turn the part so that two flats face the camera, or measure it with a calliper.",
    ),
    "body_diameter": (
        "No round body with two clear, alike edges was seen.",
        "Lay the part on plain paper in soft light and retake, or measure it with a calliper.",
    ),
}
_NOT_TURNED = {
    "body_diameter": ("A part of this class is not round about its long axis.", "Measure it with a calliper."),
    "overall_length": (
        "A part of this class has no one axis to read its length along.",
        "Measure its longest extent with a calliper.",
    ),
}
_ELSEWHERE = {
    "spline_count": (
        "Splines are counted end-on.",
        "Photograph the spindle end-on and count the teeth, or count by hand.",
    ),
    "spline_diameter": ("The spline is too fine in this photo.", "Measure over the teeth with a calliper."),
    "stem_square": ("A stem's square is not read off a photo.", "Measure across the square with a calliper."),
}


def _missed(name: str, outline: Outline, view: str, *, turned: bool) -> NotMeasured:
    if not turned and name in _NOT_TURNED:
        return NotMeasured(name, *_NOT_TURNED[name])
    if name in _ELSEWHERE:
        return NotMeasured(name, *_ELSEWHERE[name])
    if outline.cut_off:
        return NotMeasured(
            name, "The part is cut off by the picture's edge.", "Take the whole part into the picture and retake."
        )
    if view == STANDING and name == "body_diameter":
        return NotMeasured(
            name, "The outline is not that of an upright round body.", "Lay the part on its side and retake."
        )
    if view == STANDING:
        return NotMeasured(
            name, "It can't be seen from above on a standing part.", "Lay the part on its side and retake."
        )
    if name in _LYING_HELP:
        return NotMeasured(name, *_LYING_HELP[name])
    return NotMeasured(
        name, "The part's edges were not found.", "Lay the part on plain paper in soft light and retake."
    )
