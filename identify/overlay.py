"""The photo with the answer drawn on it: outline, reference object, dimensions with their uncertainties.

Nothing is said by colour alone: the part's outline is a full line, the reference's a dashed one, each dimension has
arrows and its label in words. Lines have dark rims, so that they show on chrome as on a dark cloth.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from identify import tables
from identify.geometry.placing import Box, Ground, place_dimension
from identify.geometry.pyramid import halved
from identify.model import UNSURE, Array, Bytes, Case, Measurement, Photo, Reference

LONG_SIDE_PX = 1600
LEAST_SIDE_PX = 1280  # a smaller photo is enlarged, so that words stay sharp
ROOM, WORTH_CUTTING = 0.75, 0.8  # margin in half sizes of what is shown; share of the photo above which all is shown
TITLE_PX, CAPTION_PX, VALUE_PX = 52, 30, 44  # letters at LONG_SIDE_PX: readable on a phone held upright
INK, PAPER, GREY = (16, 24, 32), (255, 255, 255), (190, 202, 212)
PART_RGB, REFERENCE_RGB, EDGE_RGB, LINE_RGB = (255, 214, 10), (125, 220, 255), (255, 110, 60), (255, 255, 255)
_SPELT = str.maketrans({"×": "x", "–": "-", "\N{FRACTION SLASH}": "/", "£": "GBP "})
_SHIFT = 4  # OpenCV draws in sixteenths of a pixel


def draw(photo: Photo, case: Case) -> Bytes:
    """The picture to show beside the answer.

    Returns
    -------
    (H, W, 3) uint8, its long side at most ``LONG_SIDE_PX``.
    """
    sheet = _sheet(photo, case)
    if case.outline is not None:
        sheet.line(sheet.places(case.outline.contour_px), PART_RGB, 4, closed=True)
    for found in case.measurements:
        for run in found.edges_px:
            sheet.line(sheet.places(run), EDGE_RGB, 6)
    contour = np.empty((0, 2)) if case.outline is None else sheet.places(case.outline.contour_px)
    ground = Ground(sheet.pixels.shape[1], sheet.pixels.shape[0], sheet.unit, contour)
    if case.reference is not None:
        ground.taken.append(_draw_reference(sheet, case.reference))
    labels, rest = [], []
    for found in sorted(case.measurements, key=_reach_px, reverse=True):  # the long lines have the least choice
        label = _draw_dimension(sheet, found, ground)
        labels += [label] if label else []
        rest += [] if label else [f"{_words(found)} {found}"]
    picture = Image.fromarray(sheet.pixels)
    for label in labels:
        label.write(picture, sheet.unit)
    return _framed(picture, case, rest, sheet.unit)


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """The picture being drawn on: a part of the photo from ``origin_px`` on.

    ``factor`` is its px per px of the photo, ``unit`` scales pens and letters.
    """

    pixels: Bytes
    origin_px: tuple[int, int]
    factor: float
    unit: float

    def places(self, points_px: Array) -> Array:
        """Photo pixels (N, 2) to sheet pixels (N, 2)."""
        return (np.asarray(points_px, float) - self.origin_px + 0.5) * self.factor - 0.5

    def line(self, points: Array, rgb: tuple[int, int, int], width: float, *, closed: bool = False) -> None:
        """A line with a dark rim through sheet pixels (N, 2)."""
        fixed = np.round(np.asarray(points) * 2**_SHIFT).astype(np.int32).reshape(1, -1, 2)
        pen = max(2, round(width * self.unit))
        for colour, thick in ((INK, pen + max(2, round(4 * self.unit))), (rgb, pen)):
            cv2.polylines(self.pixels, list(fixed), closed, colour, thick, cv2.LINE_AA, _SHIFT)

    def dashes(self, points: Array, rgb: tuple[int, int, int], width: float) -> None:
        """A dashed closed line through sheet pixels (N, 2)."""
        ring = np.vstack([points, points[:1]])
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
        count = max(8, round(along[-1] / (34 * self.unit)))
        for start in np.arange(count) / count * along[-1]:
            at = np.linspace(start, start + 0.6 * along[-1] / count, 8)
            self.line(np.column_stack([np.interp(at, along, ring[:, 0]), np.interp(at, along, ring[:, 1])]), rgb, width)

    def arrow(self, tip: Array, direction: Array) -> None:
        """A filled arrowhead that points along ``direction``."""
        long, half = 26 * self.unit, 8 * self.unit
        back, side = tip - long * direction, half * np.array([-direction[1], direction[0]])
        head = np.round(np.array([tip, back + side, back - side]) * 2**_SHIFT).astype(np.int32)
        cv2.polylines(self.pixels, [head], True, INK, max(2, round(4 * self.unit)), cv2.LINE_AA, _SHIFT)
        cv2.fillPoly(self.pixels, [head], LINE_RGB, cv2.LINE_AA, _SHIFT)


def _sheet(photo: Photo, case: Case) -> _Sheet:
    left, top, right, bottom = _view(photo, case)
    shown = photo.rgb[top:bottom, left:right]
    height, width = shown.shape[:2]
    long = min(LONG_SIDE_PX, max(LEAST_SIDE_PX, height, width))
    unit = long / LONG_SIDE_PX
    scale = min(long / width, (long - _bars_px(unit)) / height)
    size = (max(1, math.floor(width * scale)), max(1, math.floor(height * scale)))
    while 2 * size[0] <= shown.shape[1] and 2 * size[1] <= shown.shape[0]:
        shown = halved(shown)
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    pixels = np.ascontiguousarray(cv2.resize(shown, size, interpolation=method), np.uint8)
    return _Sheet(pixels, (left * photo.reduced, top * photo.reduced), scale / photo.reduced, unit)


def _view(photo: Photo, case: Case) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of what is shown [px of ``photo.rgb``]: part and reference with room for labels."""
    height, width = photo.rgb.shape[:2]
    whole = (0, 0, width, height)
    if case.outline is None:
        return whole
    marks = [case.outline.contour_px] + ([case.reference.outline_px] if case.reference is not None else [])
    points = np.vstack(marks) / photo.reduced
    low, high = points.min(axis=0), points.max(axis=0)
    middle, half = (low + high) / 2, (high - low) / 2
    half = half + ROOM * half.max()
    half = np.maximum(half, half.max() * np.minimum(1.0, (width / height, height / width)))  # the photo's own shape
    half = np.minimum(half, np.array([width, height]) / 2)
    middle = np.clip(middle, half, np.array([width, height]) - half)
    left, top = np.floor(middle - half).astype(int)
    right, bottom = np.ceil(middle + half).astype(int)
    shown = (max(0, int(left)), max(0, int(top)), min(width, int(right)), min(height, int(bottom)))
    area = (shown[2] - shown[0]) * (shown[3] - shown[1])
    return shown if area < WORTH_CUTTING * width * height else whole


def _bars_px(unit: float) -> int:
    return round(140 * unit) + round(60 * unit)


def _draw_reference(sheet: _Sheet, reference: Reference) -> Box:
    """Its rim or edges dashed, its corners dotted; returns the place it takes."""
    outline = sheet.places(reference.outline_px)
    sheet.dashes(outline, REFERENCE_RGB, 5)
    marks = reference.points_px if reference.points_px is not None else np.empty((0, 2))
    if reference.ellipse is not None:
        marks = np.array([[reference.ellipse.x_px, reference.ellipse.y_px]])
    reach = 9 * sheet.unit
    for x, y in sheet.places(marks[:80]):
        sheet.line(np.array([[x - reach, y], [x + reach, y]]), REFERENCE_RGB, 3)
        sheet.line(np.array([[x, y - reach], [x, y + reach]]), REFERENCE_RGB, 3)
    (left, top), (right, bottom) = outline.min(axis=0), outline.max(axis=0)
    return float(left), float(top), float(right), float(bottom)


@dataclass(frozen=True, slots=True)
class _Label:
    """A dimension's words in their place."""

    caption: str
    value: str
    box: Box

    def write(self, picture: Image.Image, unit: float) -> None:
        """Write it on a dark plate, so that it reads on any ground."""
        pen = ImageDraw.Draw(picture)
        left, top, right, bottom = self.box
        edge = max(1, round(2 * unit))
        pen.rounded_rectangle(self.box, radius=12 * unit, fill=INK, outline=LINE_RGB, width=edge)
        middle = (left + right) / 2
        pen.text((middle, top + 8 * unit), self.caption, font=_font(CAPTION_PX * unit), fill=GREY, anchor="ma")
        pen.text((middle, bottom - 10 * unit), self.value, font=_font(VALUE_PX * unit), fill=PAPER, anchor="md")


def _reach_px(found: Measurement) -> float:
    return 0.0 if found.line_px is None else float(np.hypot(*(found.line_px[1] - found.line_px[0])))


def _draw_dimension(sheet: _Sheet, found: Measurement, ground: Ground) -> _Label | None:
    """Draw a dimension line where there is room for it and its label; None where there is none."""
    if found.line_px is None:
        return None
    ends, unit = sheet.places(found.line_px), sheet.unit
    span = float(np.hypot(*(ends[1] - ends[0])))
    caption, value = _plain(_words(found)), _plain(str(found))
    width = max(_font(CAPTION_PX * unit).getlength(caption), _font(VALUE_PX * unit).getlength(value))
    size = (width + 36 * unit, (CAPTION_PX + VALUE_PX + 34) * unit)
    place = place_dimension(ground, ends, size) if span > 4 else None
    if place is None:
        return None
    for end, moved in zip(ends, place.line, strict=True):  # witness lines run past the dimension line a little
        away = moved - end
        length = float(np.hypot(*away))
        if length > 2:
            sheet.line(np.array([end, moved + away / length * 14 * unit]), LINE_RGB, 2)
    sheet.line(place.leader, LINE_RGB, 2)
    sheet.line(place.line, LINE_RGB, 4)
    along = (place.line[1] - place.line[0]) / span * (1 if span > 70 * unit else -1)  # a short one: from outside
    sheet.arrow(place.line[0], -along)
    sheet.arrow(place.line[1], along)
    ground.taken.append(place.box)
    ground.take_line(place.line[0], place.line[1], 12 * unit)
    ground.take_line(place.leader[0], place.leader[1], 4 * unit)
    return _Label(caption, value, place.box)


def _framed(picture: Image.Image, case: Case, rest: Sequence[str], unit: float) -> Bytes:
    """Title strip above and a strip of words below."""
    title, foot = round(140 * unit), round(60 * unit)
    framed = Image.new("RGB", (picture.width, picture.height + title + foot), INK)
    framed.paste(picture, (0, title))
    pen = ImageDraw.Draw(framed)
    room, left = picture.width - 48 * unit, 24 * unit
    answer, share = _answer(case)
    share_px = _font(TITLE_PX * unit).getlength(share)
    answer_font = _fitting_font(answer, TITLE_PX * unit, room - share_px - 24 * unit)
    pen.text((left, 68 * unit), answer, font=answer_font, fill=PAPER, anchor="ls")
    pen.text((picture.width - left, 68 * unit), share, font=_font(TITLE_PX * unit), fill=PAPER, anchor="rs")
    scale = _plain(_scale_words(case))
    pen.text((left, 116 * unit), scale, font=_fitting_font(scale, 34 * unit, room), fill=GREY, anchor="ls")
    words = _plain(_foot_words(case, rest))
    place = (left, picture.height + title + 40 * unit)
    pen.text(place, words, font=_fitting_font(words, 32 * unit, room), fill=PAPER, anchor="ls")
    return np.array(framed, np.uint8)


def _answer(case: Case) -> tuple[str, str]:
    recognition = case.recognition
    if recognition.answer == UNSURE:
        return "Not sure what this is", ""
    share = recognition.probabilities.get(recognition.answer, 0.0)
    return _plain(tables.load().fitting(recognition.answer).name), "> 99 %" if share > 0.995 else f"{share * 100:.0f} %"


def _scale_words(case: Case) -> str:
    if case.reference is None or case.plane is None:
        return "No scale used"
    name = tables.load().reference(case.reference.id).name
    where = " on the part" if case.reference.on_part else ""
    return f"Scale: {name}{where} · {case.plane.distance_mm:.0f} mm away · tilted {case.plane.tilt_deg:.0f}°"


def _foot_words(case: Case, rest: Sequence[str]) -> str:
    if case.measurements:
        return " · ".join([*rest, "± is the expanded uncertainty (95 %)"])
    return f"Not measured: {case.not_measured[0].reason}" if case.not_measured else "Nothing to measure here."


def _words(found: Measurement) -> str:
    return found.quantity.replace("_", " ")


def _plain(text: str) -> str:
    """Only what the built-in font can write."""
    flat = unicodedata.normalize("NFKD", text).translate(_SPELT)
    return "".join(letter for letter in flat if letter.isascii() or letter in "±°·")


@cache
def _font(size_px: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size=max(8, round(size_px)))


def _fitting_font(text: str, size_px: float, room_px: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The font at the given size, or smaller so that the text fits."""
    length = _font(size_px).getlength(text)
    return _font(size_px if length <= room_px else size_px * room_px / length - 0.5)
