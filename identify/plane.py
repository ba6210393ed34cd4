"""The bench as the camera sees it: focal length, pose and their covariance from one reference object.

Points (card, sheet, ruler): a robust least-squares fit with a prior on the focal length, the radial term and the
principal point, which are then marginalised out. Coin: both poses that its ellipse allows, with their
probabilities, by Monte Carlo (JCGM 101), because near straight-down the tilt is not a linear function of the ellipse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import leastsq

from identify.geometry import bows, faces, lenses, normals, tilts
from identify.geometry.bows import U_TILT_DEG, frames, turned_about, with_thickness
from identify.geometry.camera import focal_px_from_35mm, rotation_from_vector, turns
from identify.geometry.coin_pose import (
    RIM_POINTS,
    Coin,
    Draws,
    Lens,
    Prior,
    from_ellipse,
    from_picture,
    refocused,
)
from identify.geometry.lenses import USUAL35_MM
from identify.geometry.pencils import leaning
from identify.model import Array, Camera, NotMeasured, Photo, Plane, Pose, Reference, Remark

U_EXIF = 0.02  # makers round the 35 mm equivalent (CIPA DCG-001)
U_PRIOR = 0.31  # about the usual focal length: main cameras and their crops by two are within two u
U_FOCAL_FOUND = 0.08  # of a focal length told by a bench's lines
U_K1 = 0.01  # 0.2 to 1 % of distortion in the corner of a phone's picture
U_CENTRE = 0.006  # of the diagonal
FEW = 3  # other rims beside which the picture is looked at
USUAL_NORMAL, U_NORMAL = (0.0, -0.17), 0.45  # x and y of the bench's, as people hold a camera (own estimate)
MANY = 5  # other rims whose shapes alone tell the tilt
Form = tuple[Array, Array, float]
TILT_WARNING_DEG = 40.0
TILT_LIMIT_DEG = 65.0


@dataclass(frozen=True, slots=True)
class _Focal:
    px: float
    u_rel: float
    source: str


def see(photo: Photo, reference: Reference) -> Plane | NotMeasured:
    """Camera and bench plane from the reference object.

    Returns
    -------
    Plane with one pose, or two where the reference leaves the sign of the tilt open; NotMeasured where the
    reference is seen too flat, or its points fit no plane.
    """
    focal = _focal(photo, reference)
    found = (
        _from_coin(photo, reference, focal) if reference.ellipse is not None else _from_points(photo, reference, focal)
    )
    if isinstance(found, NotMeasured):
        return found
    camera, poses, form = found
    best = poses[0]
    tilt_deg = math.degrees(math.acos(min(1.0, -float(best.rotation[2, 2]))))
    if tilt_deg > TILT_LIMIT_DEG:
        return NotMeasured(
            "scale",
            f"The {reference.kind} is seen from {90 - tilt_deg:.0f} degrees above its own plane only.",
            "Lay it flat beside the part and take the photo from straight above.",
        )
    face = best.translation_mm + best.rotation[:, 2] * reference.thickness_mm
    remarks = _remarks(reference, tilt_deg)
    if not remarks and reference.ellipse is None and photo.rgb.shape[:2] == (photo.height_px, photo.width_px):
        other = leaning(photo.rgb, camera, best.rotation[:, 2], reference.outline_px)
        remarks = () if other is None else (_leaning_remark(reference, other.angle_deg),)
    return Plane(camera, poses, tilt_deg, float(np.linalg.norm(face)), remarks, form)


def beneath(plane: Plane, reference: Reference, place_px: Array) -> Plane:
    """The bench as it lies beneath a place (2,) of the picture [px]: the same one, but where coins show its form."""
    if plane.form is None:
        return plane
    return replace(plane, poses=(bows.pose(plane.form, _coin(reference), plane.camera, place_px),))


def _coin(reference: Reference) -> Coin:
    assert reference.ellipse is not None
    assert reference.diameter_mm is not None
    return Coin(
        reference.ellipse, reference.u_px, reference.diameter_mm / 2, reference.thickness_mm, reference.u_size_rel
    )


def _leaning_remark(reference: Reference, angle_deg: float) -> Remark:
    return Remark(
        "plane",
        f"The lines around the {reference.kind} stand {angle_deg:.0f} degrees off its plane's upright: it seems to lean"
        " out of the bench's plane, and then sizes are wrong.",
        "Lay it flat beside the part and retake.",
    )


def _remarks(reference: Reference, tilt_deg: float) -> tuple[Remark, ...]:
    if tilt_deg <= TILT_WARNING_DEG:
        return ()
    return (
        Remark(
            "plane",
            f"The {reference.kind} is tilted {tilt_deg:.0f} degrees to the camera: either the photo was taken from the"
            " side, or it does not lie flat on the bench, and then sizes are wrong.",
            "Lay it flat in the part's plane and take the photo from above.",
        ),
    )


def _focal(photo: Photo, reference: Reference) -> _Focal:
    """What the photo says, or else what the reference's size in the picture makes likely; a coin tells later."""
    size = photo.width_px, photo.height_px
    if photo.focal35_mm is not None and photo.focal35_mm > 0:
        return _Focal(focal_px_from_35mm(photo.focal35_mm, *size), U_EXIF, "EXIF")
    usual = focal_px_from_35mm(USUAL35_MM, *size)
    if reference.points_px is None or reference.points_mm is None:
        return _Focal(usual, U_PRIOR, "prior")
    spreads = [np.linalg.eigvalsh(np.cov(points.T)).max() for points in (reference.points_px, reference.points_mm)]
    shift, u = lenses.of_scale(usual, math.sqrt(spreads[0] / max(spreads[1], 1e-9)))
    return _Focal(usual * math.exp(shift), u, "prior")


def _centre_px(photo: Photo) -> Array:
    return np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])


# --- coin ------------------------------------------------------------------------------------------------------


def _from_coin(
    photo: Photo, reference: Reference, focal: _Focal
) -> tuple[Camera, tuple[Pose, ...], Form | None] | NotMeasured:
    if reference.ellipse is None or reference.diameter_mm is None:
        return NotMeasured("scale", "The coin's diameter is not known.", "Name the coin, or give its diameter.")
    middle = _centre_px(photo)
    camera = Camera(focal.px, (float(middle[0]), float(middle[1])), focal.u_rel, focal.source)
    lens = Lens(camera, focal.u_rel, U_K1, U_CENTRE * math.hypot(photo.width_px, photo.height_px))
    coin = _coin(reference)
    if len(reference.others) >= MANY and focal.source == "EXIF":
        bench = tilts.bench((coin.rim, *reference.others), camera)
        form = bench.numbers, bench.covariance, bench.rocking
        return camera, (bows.pose(form, coin, camera, np.array([coin.rim.x_px, coin.rim.y_px])),), form
    draws, extra = None, None
    prior: Prior = normals.up_is_away
    if photo.rgb.shape[:2] == (photo.height_px, photo.width_px):
        prior = normals.likely(photo.rgb, camera, reference.outline_px)
        draws = from_picture(photo.rgb, coin, reference.others[:FEW], lens, prior)
    if draws is None:
        draws = from_ellipse(coin, lens, prior)
    else:
        extra = _rim_doubt(coin, focal)
        camera, draws = _focused(camera, draws)
    poses = [_summary(draws, mode, reference, extra) for mode in np.unique(draws.mode[draws.weights > 1e-9])]
    kept = sorted((pose for pose in poses if pose.weight > 0.01), key=lambda pose: -pose.weight)
    total = sum(pose.weight for pose in kept)
    weighted = [Pose(pose.rotation, pose.translation_mm, pose.covariance, pose.weight / total) for pose in kept]
    return camera, tuple(weighted), None


def _focused(camera: Camera, draws: Draws) -> tuple[Camera, Draws]:
    """The camera at the likelier of the draws' focal lengths, and the draws about it."""
    if camera.focal_source == "EXIF":
        return camera, draws
    mean, spread = lenses.likelier(draws.log_focal, draws.weights)
    found = replace(refocused(camera, mean), u_focal_rel=max(spread, U_FOCAL_FOUND))
    return found, replace(draws, log_focal=draws.log_focal - mean)


def _rim_doubt(coin: Coin, focal: _Focal) -> tuple[float, float]:
    """Relative standard uncertainty of the coin's distance from its rim and size, and of ln focal if not drawn."""
    edge = coin.u_px / (coin.rim.major_px * math.sqrt(RIM_POINTS))
    return math.hypot(edge, coin.u_size_rel), focal.u_rel if focal.u_rel < 0.06 else U_FOCAL_FOUND


def _summary(draws: Draws, mode: int, reference: Reference, extra: tuple[float, float] | None) -> Pose:
    """Mean pose of the draws of one mode as it is at the camera's own focal length, and their covariance about it.

    A coin's distance goes with the focal length, its place across the picture does not.
    """
    share = np.where(draws.mode == mode, draws.weights, 0.0)
    weight = float(share.sum())
    share = share / max(weight, 1e-300)
    mean = share @ draws.normals
    rotation = frames(mean[None] / np.linalg.norm(mean))[0]
    places = draws.centres - reference.thickness_mm * draws.normals
    translation = share @ (places * np.column_stack([np.ones((len(places), 2)), np.exp(-draws.log_focal)]))
    turned = frames(draws.normals) @ rotation.T
    vector = 0.5 * np.stack(
        [
            turned[:, 2, 1] - turned[:, 1, 2],
            turned[:, 0, 2] - turned[:, 2, 0],
            turned[:, 1, 0] - turned[:, 0, 1],
        ],
        axis=1,
    )
    steps = places - translation
    steps[:, 2] = translation[2] * np.log(places[:, 2] / translation[2])  # as ``camera.moved`` takes them
    changes = np.column_stack([draws.log_focal, vector, steps])
    covariance = (changes.T * share) @ changes
    if extra is not None:
        away = translation + reference.thickness_mm * rotation[:, 2]
        covariance[4:, 4:] += extra[0] ** 2 * np.outer(away, away)
        along = np.array([1.0, 0, 0, 0, *(away * (0, 0, 1))])
        covariance += extra[1] ** 2 * np.outer(along, along)
        covariance = covariance + turned_about(away, rotation, math.radians(U_TILT_DEG))
    return Pose(rotation, translation, with_thickness(covariance, rotation[:, 2], reference.thickness_mm), weight)


# --- points ----------------------------------------------------------------------------------------------------


def _from_points(
    photo: Photo, reference: Reference, focal: _Focal
) -> tuple[Camera, tuple[Pose, ...], None] | NotMeasured:
    if reference.points_px is None or reference.points_mm is None or len(reference.points_px) < 4:
        return NotMeasured("scale", "The reference gives fewer than four points.", "Show the whole reference object.")
    flat = faces.right_handed(reference.points_mm, reference.points_px)
    starts = faces.starts(flat, reference.points_px, focal.px, _centre_px(photo))
    fits = [_fit(flat, reference, focal, start, photo) for start in starts]
    fits = sorted((fit for fit in fits if fit.cost < np.inf), key=lambda fit: fit.cost)
    if not fits:
        return NotMeasured("scale", "The reference's points fit no plane.", "Lay it flat and retake the photo.")
    best = fits[0]
    poses = [best.pose]
    for other in fits[1:]:
        apart = np.linalg.norm(other.pose.rotation - best.pose.rotation) > 0.02
        if (
            apart
            and other.cost - best.cost < 4.6
            and all(np.linalg.norm(other.pose.rotation - pose.rotation) > 0.02 for pose in poses)
        ):
            poses.append(other.pose)
    odds = np.exp([best.cost - next(fit.cost for fit in fits if fit.pose is pose) for pose in poses])
    weighted = tuple(
        Pose(pose.rotation, pose.translation_mm, pose.covariance, float(odd / odds.sum()))
        for pose, odd in zip(poses, odds, strict=True)
    )
    return best.camera, weighted, None


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    camera: Camera
    pose: Pose
    cost: float


def _fit(flat_mm: Array, reference: Reference, focal: _Focal, start: tuple[Array, Array], photo: Photo) -> _Fit:
    """Least squares over (ln focal, rotation vector, translation, k1, principal point) with their priors.

    An eleventh number is the scale across of a reference of estimated width.
    """
    rotation, shift = start
    points = reference.points_px
    assert points is not None
    centre = _centre_px(photo)
    u_centre = U_CENTRE * math.hypot(photo.width_px, photo.height_px)
    scale = np.array([0.05, *3 * [0.02], *3 * [0.01 * float(np.linalg.norm(shift))], U_K1, u_centre, u_centre])
    known = [focal.u_rel, U_K1, u_centre, u_centre]
    which = [0, 7, 8, 9]
    if reference.u_across_rel > 0:
        scale, known, which = np.append(scale, 0.02), [*known, reference.u_across_rel], [*which, 10]
    count = len(scale)

    def residuals(numbers: Array, robust: bool = True) -> Array:
        """Of trials (..., count): (..., 2 N + count - 4)."""
        turned = turns(numbers[..., 1:4]) @ rotation
        flat = flat_mm if count == 10 else faces.stretched(flat_mm, numbers[..., 10])
        seen = flat @ np.swapaxes(turned, -1, -2) + (shift + numbers[..., 4:7])[..., None, :]
        slopes = seen[..., :2] / seen[..., 2:]
        radial = 1 + numbers[..., None, 7:8] * np.sum(slopes**2, axis=-1, keepdims=True)
        px = (centre + numbers[..., 8:10])[..., None, :] + focal.px * np.exp(numbers[..., :1, None]) * radial * slopes
        away = ((px - points) / reference.u_px).reshape(*numbers.shape[:-1], -1)
        if robust:  # Cauchy, so that a wrong point cannot pull
            squared = np.maximum((away / 3) ** 2, 1e-12)
            away = away * np.sqrt(np.log1p(squared) / squared)
        priors = numbers[..., which] / known
        return np.concatenate([away, (turned[..., :2, 2] - USUAL_NORMAL) / U_NORMAL, priors], axis=-1)

    def slopes_at(numbers: Array, robust: bool = True) -> Array:
        steps = 1e-5 * scale
        moved = residuals(numbers + np.concatenate([np.diag(steps), -np.diag(steps)]), robust)
        return np.asarray(((moved[:count] - moved[count:]) / (2 * steps[:, None])).T)

    told = {"ftol": 1e-8, "xtol": 1e-8, "gtol": 1e-8, "maxfev": 60, "diag": 1 / scale}
    best, *_ = leastsq(residuals, np.zeros(count), Dfun=slopes_at, full_output=True, **told)
    middle = centre + best[8:10]
    camera = Camera(
        focal.px * math.exp(best[0]), (float(middle[0]), float(middle[1])), 0.0, focal.source, float(best[7])
    )
    pose = Pose(rotation_from_vector(best[1:4]) @ rotation, shift + best[4:7], np.zeros((7, 7)))
    if not np.all(np.isfinite(best)) or pose.translation_mm[2] <= 0 or pose.rotation[2, 2] >= 0:
        return _Fit(camera, pose, np.inf)
    slopes = slopes_at(best, robust=False)
    left = residuals(best)
    away = left[: 2 * len(points)]
    excess = max(1.0, float(np.sum(away**2)) / max(2 * len(points) - 6, 1)) if len(points) > 4 else 1.0
    slopes[: 2 * len(points)] /= math.sqrt(excess)
    face = pose.translation_mm
    carry, held = _without_lens(camera.focal_px, face), np.arange(count) != 7
    covariance = carry @ np.linalg.inv(slopes[:, held].T @ slopes[:, held])[:9, :9] @ carry.T
    covariance[4:, 4:] += reference.u_size_rel**2 * np.outer(face, face)
    return _finished(camera, pose, covariance, reference, focal, 0.5 * float(left @ left))


def _without_lens(focal_px: float, face_mm: Array) -> Array:
    """Takes (7 pose numbers, principal point) to pose numbers (7, 9) for use with the lens held as fitted.

    Moved, the principal point turns what is seen about the camera, reference and part alike: that turn is undone.
    """
    carry = np.eye(7, 9)
    for column, turn in ((7, np.array([0.0, 1.0, 0.0])), (8, np.array([-1.0, 0.0, 0.0]))):
        carry[1:4, column] = turn / focal_px
        carry[4:7, column] = np.cross(turn, face_mm) / focal_px
    return carry


def _finished(camera: Camera, pose: Pose, covariance: Array, reference: Reference, focal: _Focal, cost: float) -> _Fit:
    """The pose moved from the face down to the bench, with what the covariance says of the focal length."""
    u_focal = math.sqrt(covariance[0, 0])
    source = "reference" if focal.source == "prior" and u_focal < 0.5 * focal.u_rel else focal.source
    down = -reference.thickness_mm * pose.rotation[:, 2]
    carry = np.eye(7)
    carry[4:, 1:4] = np.array([[0, down[2], -down[1]], [-down[2], 0, down[0]], [down[1], -down[0], 0]])
    moved = with_thickness(carry @ covariance @ carry.T, pose.rotation[:, 2], reference.thickness_mm)
    return _Fit(
        Camera(camera.focal_px, camera.centre_xy_px, u_focal, source, camera.k1),
        Pose(pose.rotation, pose.translation_mm + down, moved),
        cost,
    )
