"""The frozen records that travel down the road of one photo.

Frames and units
----------------
Pixels: x right, y down, the centre of the first pixel at (0, 0), always of the full, upright photo.
Camera: x right, y down, z away from the camera, in mm.
World: the bench is the plane z = 0 and z points up from it towards the camera, in mm.
Pictures are RGB uint8 of shape (H, W, 3). ``u`` is a standard uncertainty, ``u95`` is k = 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# the verdict's records are imported from here, as all that travel
from identify.verdict import Candidate as Candidate
from identify.verdict import Caution as Caution
from identify.verdict import Check as Check
from identify.verdict import Conversion as Conversion
from identify.verdict import Pair as Pair
from identify.verdict import StockOffer as StockOffer
from identify.verdict import Verdict as Verdict

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]

UNSURE = "unsure"
POSSIBLE_FROM = 0.1  # where the answer is unsure, a class this likely is not ruled out


def _shaped(name: str, array: np.ndarray, *shape: int | None) -> None:
    if array.ndim != len(shape) or any(want not in (None, got) for want, got in zip(shape, array.shape, strict=True)):
        raise ValueError(f"{name}: expected shape {shape} with None for any, got {array.shape}.")


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """A quantity that this photo cannot give: why, and what would give it. Always falsy."""

    quantity: str
    reason: str
    advice: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """One decoded, upright photo.

    Parameters
    ----------
    rgb : (H, W, 3) uint8
    focal35_mm : 35 mm equivalent focal length from the file [mm], or None.
    reduced : 1, 2 or 4: the decoder's reduction of ``rgb``; ``width_px`` and ``height_px`` are the full photo's.
    """

    file: str
    sha256: str
    rgb: Bytes
    width_px: int
    height_px: int
    focal35_mm: float | None = None
    reduced: int = 1
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _shaped("rgb", self.rgb, None, None, 3)


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing about the photo that the user can mend: what, and how. ``kind`` is a short word such as blur."""

    kind: str
    text: str
    advice: str


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse in the photo [px]: centre, semi-axes (major first), direction of the major axis [rad]."""

    x_px: float
    y_px: float
    major_px: float
    minor_px: float
    angle_rad: float


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """A reference object as found.

    A coin gives ``ellipse`` (its top rim) and ``diameter_mm``; card, ruler and sheet give matched points.

    Parameters
    ----------
    kind : coin, card, ruler or sheet.
    id : row id in the tables, such as eur-1, card, ruler, sheet, or coin:24.26.
    outline_px : (M, 2) closed polygon to draw and to keep out of the part's mask [px].
    u_px : standard uncertainty of one point, or of a point of the rim [px].
    points_px, points_mm : (N, 2) matched points on the face; millimetres in the face's own plane.
    thickness_mm : height of the face over the bench [mm].
    u_size_rel : relative standard uncertainty of the object's own size.
    u_across_rel : the same of all ``points_mm``'s y together, where a width was only estimated.
    on_part : the object lies on the part's top, not on the bench.
    others : other coin-like rims in view, surest first; where they lie on the bench they steady its tilt.
    """

    kind: str
    id: str
    outline_px: Array
    u_px: float
    ellipse: Ellipse | None = None
    diameter_mm: float | None = None
    points_px: Array | None = None
    points_mm: Array | None = None
    thickness_mm: float = 0.0
    u_size_rel: float = 0.001
    u_across_rel: float = 0.0
    on_part: bool = False
    remarks: tuple[Remark, ...] = ()
    others: tuple[Ellipse, ...] = ()

    def __post_init__(self) -> None:
        _shaped("outline_px", self.outline_px, None, 2)
        if self.points_px is not None and self.points_mm is not None:
            _shaped("points_px", self.points_px, None, 2)
            _shaped("points_mm", self.points_mm, len(self.points_px), 2)


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole camera: x_px = cx + f (1 + k1 r²) x/z, r² = (x/z)² + (y/z)². Focal sources: EXIF, reference, prior."""

    focal_px: float
    centre_xy_px: tuple[float, float]
    u_focal_rel: float
    focal_source: str
    k1: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """World to camera: X_cam = rotation @ X_world + translation_mm.

    Parameters
    ----------
    rotation : (3, 3)
    translation_mm : (3,) [mm]
    covariance : (7, 7) of (ln focal, rotation vector applied in the camera frame [rad], translation [mm])
    weight : probability of this pose among the plane's poses.
    """

    rotation: Array
    translation_mm: Array
    covariance: Array
    weight: float = 1.0

    def __post_init__(self) -> None:
        _shaped("rotation", self.rotation, 3, 3)
        _shaped("translation_mm", self.translation_mm, 3)
        _shaped("covariance", self.covariance, 7, 7)


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """The bench seen by the camera: one pose, or two where a coin leaves the sign of the tilt open."""

    camera: Camera
    poses: tuple[Pose, ...]
    tilt_deg: float
    distance_mm: float  # to the reference's centre
    remarks: tuple[Remark, ...] = ()
    form: tuple[Array, Array, float] | None = None  # of a bench of many coins, as identify.geometry.bows has it


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """The part's outline.

    Parameters
    ----------
    contour_px : (N, 2) closed, sub-pixel, not repeated at the end [px]
    inside : (H, W) bool mask of the part at the photo's ``rgb`` size divided by ``mask_step``
    u_px : standard uncertainty of one edge point across the edge [px]
    doubt_px : (N,) how far off other places may be that could be the edge (standard deviation) [px]; None: not known
    """

    contour_px: Array
    inside: NDArray[np.bool_]
    mask_step: int
    u_px: float
    cut_off: bool
    method: str
    doubt_px: Array | None = None

    def __post_init__(self) -> None:
        _shaped("contour_px", self.contour_px, None, 2)


@dataclass(frozen=True, slots=True)
class Variety:
    """A second answer, such as base: flat base 0.93."""

    answer: str
    probability: float


@dataclass(frozen=True, slots=True, eq=False)
class Recognition:
    """What the network says of the whole photo.

    Parameters
    ----------
    prediction_set : class ids; of 100 sets like it some 95 hold the right one, whatever the answer is.
    labels : (h, w) uint8: 0 background, 1 part, 2 reference.
    features : (F,) what the network makes of the whole photo before it names a class; None where that is not known.
    """

    answer: str
    probabilities: dict[str, float]
    prediction_set: tuple[str, ...]
    view: str
    varieties: dict[str, Variety]
    labels: Bytes | None
    model_sha256: str
    features: NDArray[np.float32] | None = None

    @property
    def possible(self) -> tuple[str, ...]:
        """Class ids that are not ruled out: the prediction set and, where the answer is unsure, all likely classes."""
        likely = [name for name, p in self.probabilities.items() if self.answer == UNSURE and p >= POSSIBLE_FROM]
        return tuple(dict.fromkeys([*self.prediction_set, *likely]))

    @property
    def taken_as(self) -> tuple[str, ...]:
        """Class ids that a photo is dealt with as: the answer alone, or all possible ones where it is unsure."""
        return self.possible if self.answer == UNSURE else (self.answer,)


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One contribution to a budget: a standard uncertainty in the unit of the value."""

    name: str
    u: float


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """A measured quantity with its expanded uncertainty (k = 2).

    ``unit`` is mm or 1 (a count). ``line_px`` (2, 2) is the dimension line to draw; ``edges_px`` are the (N, 2)
    runs of edge points that were used.
    """

    quantity: str
    value: float
    u95: float
    unit: str
    method: str
    budget: tuple[BudgetLine, ...] = ()
    line_px: Array | None = None
    edges_px: tuple[Array, ...] = ()

    def __str__(self) -> str:
        """Value and expanded uncertainty with two digits of the latter (JCGM 100, 7.2.6): 20.93 ± 0.21 mm."""
        if self.unit != "mm":
            return f"{self.value:.0f} ± {self.u95:.2g}"
        value, u95 = round(self.value, 3), round(self.u95, 3)  # as in the JSON, so that every output says the same
        if u95 > 0:
            digits = min(3, max(0, 1 - math.floor(math.log10(u95))))
        else:
            digits = 3 if self.u95 > 0 else 0
        return f"{value:.{digits}f} ± {u95:.{digits}f} mm"


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """The whole answer for one part; everything an output needs but the photos' pixels."""

    photos: tuple[PhotoFacts, ...]
    recognition: Recognition
    reference: Reference | None
    plane: Plane | None
    measurements: tuple[Measurement, ...]
    not_measured: tuple[NotMeasured, ...]
    verdict: Verdict
    remarks: tuple[Remark, ...]
    tables_version: str
    outline: Outline | None = None


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """What is kept of a photo once its pixels are gone; no place, no person."""

    file: str
    sha256: str
    width_px: int
    height_px: int
    focal35_mm: float | None


@dataclass(frozen=True, slots=True)
class FailedPhoto:
    """A photo that could not be read, and the one sentence that says why."""

    file: str
    error: str
