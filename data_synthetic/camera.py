"""A phone's camera: where it is held, and what its optics, sensor and software make of the light."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from data_synthetic.mesh import Array
from data_synthetic.render import Lens
from data_synthetic.rest import turned_onto
from data_synthetic.spindle import within
from identify.geometry.camera import focal_px_from_35mm, pixels
from identify.model import Camera

K1_LIMIT = 0.015
EXIF_FOCAL35 = 0xA405  # FocalLengthIn35mmFilm, Exif 2.3


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One shot: the model's camera, the renderer's lens (with a margin for the distortion) and how it was held."""

    camera: Camera
    lens: Lens
    width_px: int
    height_px: int
    margin_px: int
    focal35_mm: float
    tilt_deg: float
    distance_mm: float

    def project(self, points_mm: Array) -> Array:
        """World points (N, 3) [mm] to pixels (N, 2) of the finished picture."""
        return pixels(self.camera, np.asarray(points_mm, float) @ self.lens.rotation.T + self.lens.translation_mm)


def looking(eye_mm: Array, target_mm: Array, roll_deg: float) -> tuple[Array, Array]:
    """Rotation (3, 3) and translation (3,) of a camera at ``eye_mm`` that looks at ``target_mm``."""
    ahead = (target_mm - eye_mm) / np.linalg.norm(target_mm - eye_mm)
    side = np.cross(ahead, [0.0, 1.0, 0.0] if abs(ahead[2]) > 0.999 else [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side)
    down = np.cross(ahead, side)
    c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    rotation = np.stack([c * side + s * down, -s * side + c * down, ahead])
    return rotation, -rotation @ eye_mm


def held(
    rng: np.random.Generator, target_mm: Array, *, focal35_mm: float, distance_mm: float, tilt_deg: float,
    azimuth_deg: float, roll_deg: float, width_px: int, height_px: int,
) -> View:  # fmt: skip
    """A view of ``target_mm`` from ``distance_mm``, ``tilt_deg`` from straight above, out of ``azimuth_deg``."""
    tilt, azimuth = math.radians(tilt_deg), math.radians(azimuth_deg)
    away = np.array([math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), math.cos(tilt)])
    rotation, translation = looking(target_mm + distance_mm * away, target_mm, roll_deg)
    focal = focal_px_from_35mm(focal35_mm, width_px, height_px)
    k1 = float(np.clip(rng.normal(0, 0.006), -K1_LIMIT, K1_LIMIT))
    camera = Camera(focal_px=focal, centre_xy_px=((width_px - 1) / 2, (height_px - 1) / 2), u_focal_rel=0.0,
                    focal_source="true", k1=k1)  # fmt: skip
    physical = 6.0 * 26.0 / max(focal35_mm, 24.0) if focal35_mm < 40 else 6.5
    aperture = physical / within(rng, 1.8, 2.4) / 2 * within(rng, 0.3, 1.0)
    focus = distance_mm * within(rng, 0.97, 1.03)
    lens = Lens(rotation, translation, focal, aperture, focus)
    half = math.hypot(width_px, height_px) / 2
    margin = math.ceil(K1_LIMIT * (half / focal) ** 2 * half) + 2
    return View(camera, lens, width_px, height_px, min(margin, max(width_px, height_px) // 12), focal35_mm, tilt_deg,
                distance_mm)  # fmt: skip


def nearer(view: View, points_mm: Array, *, share: float, side_px: int) -> View:
    """The same shot, as a near look cuts it out: a square about points (N, 3) [mm], which fill ``share`` of its side.

    The camera stays where it is and turns to the middle of the points, so their perspective is that of the shot.
    """
    slopes = _slopes(points_mm, view.lens.rotation, view.lens.translation_mm)
    ahead = np.append((slopes.min(0) + slopes.max(0)) / 2, 1.0)
    ahead /= np.linalg.norm(ahead)
    turn = turned_onto(-ahead)  # what is behind to -z, so what is ahead to z
    rotation, translation = turn @ view.lens.rotation, turn @ view.lens.translation_mm
    reach = 2 * float(np.abs(_slopes(points_mm, rotation, translation)).max())
    focal = share * side_px / reach
    camera = replace(view.camera, focal_px=focal, centre_xy_px=((side_px - 1) / 2, (side_px - 1) / 2), k1=0.0)
    lens = replace(view.lens, rotation=rotation, translation_mm=translation, focal_px=focal)
    return replace(view, camera=camera, lens=lens, width_px=side_px, height_px=side_px, margin_px=2)


def _slopes(points_mm: Array, rotation: Array, translation_mm: Array) -> Array:
    """Where points (N, 3) stand in a camera's plane at distance 1: (N, 2)."""
    seen = np.asarray(points_mm, float) @ rotation.T + translation_mm
    return seen[:, :2] / np.maximum(seen[:, 2:], 1.0)


def bent(
    light: NDArray[np.float32], labels: NDArray[np.uint8], view: View
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """The rendered frame with its margin, warped by the lens's radial term and cut to the picture's size."""
    x, y = np.meshgrid(np.arange(view.width_px), np.arange(view.height_px))
    centre, focal = np.array(view.camera.centre_xy_px), view.camera.focal_px
    bent_slopes = (np.stack([x, y], -1) - centre) / focal
    slopes = bent_slopes.copy()
    for _ in range(5):
        slopes = bent_slopes / (1 + view.camera.k1 * (slopes**2).sum(-1, keepdims=True))
    source = (slopes * focal + centre + view.margin_px).astype(np.float32)
    picture = cv2.remap(light, source[..., 0], source[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    mask = cv2.remap(labels, source[..., 0], source[..., 1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    return np.maximum(picture, 0), mask


def _without_fireflies(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light (H, W, 3) where no pixel is much brighter than the second brightest beside it.

    A glint along an edge has two bright neighbours, a lone path that met a lamp has none, two beside each other one.
    """
    grey = cv2.cvtColor(light, cv2.COLOR_RGB2GRAY)
    most = second = np.zeros_like(grey)
    framed = cv2.copyMakeBorder(grey, 1, 1, 1, 1, cv2.BORDER_REFLECT_101)
    height, width = grey.shape
    for down, right in ((0, 0), (0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1), (2, 2)):
        beside = framed[down : down + height, right : right + width]
        second = np.maximum(second, np.minimum(most, beside))
        most = np.maximum(most, beside)
    kept = np.minimum(1.0, 1.25 * second / np.maximum(grey, 1e-9))
    return np.asarray(light * kept[..., None], np.float32)


def cleaned(light: NDArray[np.float32], spp: int) -> NDArray[np.float32]:
    """Light (H, W, 3) without the renderer's own grain: fireflies clipped, then an edge-keeping blur in log light."""
    light = _without_fireflies(light)
    calm = cv2.medianBlur(light, 3)
    light = np.minimum(light, 3 * calm + 0.25 * float(calm.mean()))
    scale = max(float(np.median(light)), 1e-4)
    smooth = np.log1p(light / scale)
    for _ in range(2 if spp <= 64 else 1):
        grain = 1.48 * float(np.median(np.abs(smooth - cv2.medianBlur(smooth, 3))))
        smooth = cv2.bilateralFilter(smooth, 5, float(np.clip(2.5 * grain, 0.01, 0.3)), 1.2)
    return np.expm1(smooth) * scale


def developed(
    light: NDArray[np.float32], rng: np.random.Generator, *, white: Array, plain: bool = False
) -> NDArray[np.uint8]:
    """Light (H, W, 3) to an sRGB picture: white balance, exposure, shoulder, noise, vignette, blur, sharpening.

    ``white`` is the colour of the light in the room, which the phone corrects in part.
    """
    height, width = light.shape[:2]
    well = rng.random() < 0.72  # else the cast of low sun or of two lamps is left, or mended too far
    trust, off = (within(rng, 0.55, 1.0), 0.035) if well else (within(rng, -0.1, 1.6), 0.09)
    balance = (white.mean() / white) ** trust * np.exp(rng.normal(0, off, 3) * (1, 0.3, 1))
    picture = light * balance.astype(np.float32)
    grey = picture @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    meter = 0.55 * float(np.exp(np.log(grey + 1e-4).mean())) + 0.45 * float(np.median(grey))
    key = within(rng, 0.19, 0.36) if rng.random() < 0.82 else within(rng, 0.07, 0.6)
    gain = key / max(meter, 1e-4)
    bright, most = float(np.percentile(grey, 98)) * gain, 2.6 if rng.random() < 0.8 else 8.0  # or burnt out
    gain *= min(1.0, (most / bright) ** 0.5) if bright > most else 1.0
    picture = picture * gain
    y, x = np.mgrid[:height, :width]
    radial = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (width**2 + height**2) * 4
    picture *= (1 - within(rng, 0.0, 0.22) * radial)[..., None]
    blur = within(rng, 0.0, 0.9) if rng.random() < 0.9 else within(rng, 0.9, 2.0)
    if not plain and blur > 0.25:
        picture = cv2.GaussianBlur(picture, (0, 0), blur * max(width, 512) / 1024 + 0.05)
    if not plain and rng.random() < 0.06:
        picture = _shaken(picture, rng)
    shot, read = 10 ** within(rng, -5.0, -3.5), 10 ** within(rng, -3.8, -2.7)
    picture = picture + rng.normal(size=picture.shape) * np.sqrt(shot * np.maximum(picture, 0) + read**2)
    white_at = within(rng, 2.2, 4.5)
    picture = np.maximum(picture, 0)
    picture = picture * (1 + picture / white_at**2) / (1 + picture) * within(rng, 1.35, 1.6)
    coded = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * np.maximum(picture, 1e-9) ** (1 / 2.4) - 0.055)
    contrast = within(rng, 0.9, 1.25)
    coded = np.clip(0.5 + (coded - 0.5) * contrast, 0, 1)
    if not plain and rng.random() < 0.3:
        coded = _smeared(coded.astype(np.float32), rng)
    mean = coded.mean(2, keepdims=True)
    coded = (mean + (coded - mean) * within(rng, 0.85, 1.2)).astype(np.float32)
    if rng.random() < 0.7:
        soft = cv2.GaussianBlur(coded, (0, 0), within(rng, 0.7, 1.6))
        coded = coded + within(rng, 0.1, 0.9) * (coded - soft)
    return (np.clip(coded, 0, 1) * 255 + 0.5).astype(np.uint8)


def _shaken(picture: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    size = int(rng.integers(3, 6)) | 1
    kernel = np.zeros((size, size), np.float32)
    turn = rng.uniform(0, np.pi)
    reach = size / 2 * np.array([np.cos(turn), np.sin(turn)])
    start, end = (tuple(int(v) for v in size / 2 + k * reach) for k in (-1, 1))
    cv2.line(kernel, start, end, 1.0)
    return cv2.filter2D(picture, -1, kernel / max(kernel.sum(), 1e-6))


def _smeared(coded: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    """The phone's noise reduction on a picture (H, W, 3) in 0..1: edges stay, faint texture runs together."""
    strength = within(rng, 0.02, 0.09)
    for _ in range(int(rng.integers(1, 3))):
        coded = cv2.bilateralFilter(coded, 5, strength, within(rng, 1.0, 2.2))
    return coded


def jpeg(picture: NDArray[np.uint8], *, quality: int, focal35_mm: int | None) -> bytes:
    """The file's bytes; the 35 mm equivalent focal length goes into its EXIF when given."""
    exif = Image.Exif()
    if focal35_mm is not None:
        exif.get_ifd(0x8769)[EXIF_FOCAL35] = focal35_mm
    target = io.BytesIO()
    Image.fromarray(picture).save(target, "JPEG", quality=quality, exif=exif)
    return target.getvalue()
