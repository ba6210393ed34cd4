"""The network's answer for a whole photo: class, view, varieties, and a map of part and reference object.

Every number that belongs to the trained network (names, input size, normalisation, temperatures, thresholds) stands in
the card beside the model file; nothing here knows a class by name.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from identify import tables, weights
from identify.errors import ModelError
from identify.geometry.squares import FILL as FILL
from identify.geometry.squares import Square as Square
from identify.geometry.squares import cut_square as cut_square
from identify.geometry.squares import whole_square as whole_square
from identify.model import UNSURE, Bytes, Photo, Recognition, Variety
from identify.weights import SEEN_FROM
from identify.weights import Card as Card
from identify.weights import VarietyHead as VarietyHead
from identify.weights import read_card as read_card

Floats = NDArray[np.float32]
Outputs = tuple[Floats, Floats, Floats, Floats, Floats]

NAME = "fitting_classifier.onnx"
OUTPUTS = ("logits", "view", "varieties", "mask", "features")
NETWORKS = "networks"  # input of a file of several networks: which of them are asked; all where it is not given
COARSER, CLEARLY = 4, 8.0  # a map of a quarter of the side settles what has so many times the part that is wanted
LEAST_NEAR = 2  # near looks at a photo that is measured: part and reference are outlined from their finer masks
PART = 1  # label of the part in the mask; 0 is background, 2 the reference object


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """The networks' raw outputs for one square: (C,), (V,), (A,), (3, h, w) and (F,); ``passes`` is what it took."""

    square: Square
    logits: Floats
    view: Floats
    varieties: Floats
    mask: Floats
    features: Floats
    passes: float = 1.0  # of all the file's networks at the full size
    aim: Floats | None = None  # the mask (3, h, w) that aims nearer looks, where it is not ``mask``


def load(path: str | Path | None = None) -> Classifier:
    """The classifier in the model file ``path``, or the one that ships with the package.

    The card is the .toml file of the same name beside it.

    Raises
    ------
    ModelError
        Model or card is missing, the card is incomplete, or the model's SHA-256 is not the card's.
    """
    model = (Path(path) if path is not None else weights.shipped(NAME)).resolve()
    files = (model, model.with_suffix(".toml"))
    return _loaded(model, tuple(file.stat().st_mtime_ns if file.is_file() else 0 for file in files))


@lru_cache(maxsize=4)
def _loaded(path: Path, written: tuple[int, ...]) -> Classifier:
    """``written`` is when model and card were last written: a new file is a new key of the cache."""
    card, data = _checked(path)
    session = weights.session(data)
    if missing := sorted(set(OUTPUTS) - {output.name for output in session.get_outputs()}):
        raise ModelError(f"{path.name} has no output {missing[0]!r}; export it again with python -m training.export.")
    found = Classifier(card, session)
    alone = max(int(card.survey.turns), card.aimed_by or 0)  # number of a network that is asked alone
    if alone >= found.networks or (card.survey.first_px != card.input_px and not found.any_size):
        raise ModelError(
            f"{path.name} can't look as its card says; calibrate it again with python -m training.calibrate."
        )
    return found


def shipped_card() -> Card:
    """The card of the model that ships, model and card checked as :func:`load` does, without opening the network."""
    return _checked(weights.shipped(NAME).resolve())[0]


def _checked(path: Path) -> tuple[Card, bytes]:
    """The card of a model file, and the file's bytes."""
    if not path.is_file():
        raise ModelError(f"The model file {path} does not exist; install the package again.")
    card = read_card(path.with_suffix(".toml"))
    _check_classes(card, path)
    return card, weights.checked(path, card.sha256)


def _check_classes(card: Card, path: Path) -> None:
    if card.strange_by and card.strange_by not in STRANGENESS:
        raise ModelError(f"{path.name}: its card names the unknown score {card.strange_by!r}; write it again.")
    known = tables.load().classes
    if odd := sorted(set(card.classes) ^ set(known)):
        side = "the tables lack" if odd[0] in card.classes else "the model was not trained on"
        raise ModelError(
            f"{path.name}: {side} the class {odd[0]!r}; train a model for these tables, or mend the table."
        )
    if known[card.nothing].part:
        raise ModelError(f"{path.name}: its card takes {card.nothing!r} for no fitting, the tables take it for a part.")


class Classifier:
    """One network with its card; build it with :func:`load` and share it within a process."""

    def __init__(self, card: Card, session: ort.InferenceSession) -> None:
        self.card = card
        self._session = session
        pixels = session.get_inputs()[0]
        self._input = pixels.name
        self.any_size = not isinstance(pixels.shape[-1], int)  # whether pictures of other sides than the card's go in
        asked = [value.shape[0] for value in session.get_overridable_initializers() if value.name == NETWORKS]
        self.networks: int = asked[0] if asked else 1  # that can be asked one by one

    def with_card(self, card: Card) -> Classifier:
        """The same network under another card, to try its settings."""
        return Classifier(card, self._session)

    def recognise(self, photo: Photo) -> Recognition:
        """What the network says of the photo, with calibrated probabilities; the answer may be ``unsure``."""
        return self.settle(self.enough(photo.rgb), photo.rgb.shape[:2])

    def enough(self, rgb: Bytes) -> tuple[Look, ...]:
        """The looks (see :meth:`looks`) that a photo (H, W, 3) gets which is answered and measured."""
        return self.looks(rgb, least=LEAST_NEAR, until=self.card.sure_at)

    def surveying(self) -> Classifier:
        """The same network under its card for photos of which only the class is wanted."""
        return self.with_card(self.card.surveying())

    def looks(
        self,
        rgb: Bytes,
        taken: Sequence[Look] = (),
        *,
        least: int = 0,
        near: int | None = None,
        until: float = math.inf,
    ) -> tuple[Look, ...]:
        """One look at the whole picture (H, W, 3), then near looks where a part is seen; those ``taken`` come first.

        The first near look is aimed by the whole picture's mask, of one network where the card says so, the others by
        the first one's finer mask. Where the first look sees no part, the first near look is at a trace as faint as
        the card believes; where there is none and that look was hasty, one at the whole picture again takes the first
        near look's place. There are no more than ``near`` of them, and after ``least`` of them none once
        :meth:`sureness` of those before it reaches ``until``.
        """
        whole = whole_square(rgb.shape[:2])
        looks = [*taken] or [self.look(rgb, whole, 0)]
        for share in self.card.crop_shares[len(looks) - 1 : near]:
            if len(looks) > least and self.sureness(looks) >= until:
                break
            square = part_square(looks[:2][-1], rgb.shape[:2], share)
            if square is None and len(looks) == 1 and self.card.faint_from < SEEN_FROM:
                square = part_square(looks[0], rgb.shape[:2], share, self.card.faint_from)
            if square is None and (len(looks) > 1 or not self.card.hasty):
                break
            looks.append(self.look(rgb, square or whole, len(looks)))
        return tuple(looks)

    def sureness(self, looks: Sequence[Look]) -> float:
        """The best class's probability after these looks, before calibration."""
        return float(softmax(mean_logits(looks, self.card.whole_weight)).max())

    def look(self, rgb: Bytes, square: Square, number: int = 0) -> Look:
        """The look of a ``number``, from 0, at a square of the picture (H, W, 3): one pass of the card's network."""
        card = self.card
        side = card.input_px if number else card.first_px
        passes = (side / card.input_px) ** 2 / (self.networks if card.turns else 1)
        crop = cut_square(rgb, square, side)
        if number or card.turns or card.aimed_by is None:
            return Look(square, *self.outputs(crop, number), passes)
        each = [self._asked(crop, network) for network in range(self.networks)]
        logits, view, varieties, mask, features = (
            np.asarray(np.mean(values, axis=0), np.float32) for values in zip(*each, strict=True)
        )
        aim = each[card.aimed_by][OUTPUTS.index("mask")]
        return Look(square, logits, view, varieties, mask, features, passes, aim)

    def outputs(self, rgb: Bytes, number: int = 0) -> Outputs:
        """What the look of a ``number`` makes of a square picture (S, S, 3)."""
        return self._asked(rgb, number % self.networks if self.card.turns else None)

    def _asked(self, rgb: Bytes, network: int | None) -> Outputs:
        """What one network of the file makes of a square picture (S, S, 3), or the mean of them all."""
        pixels = (rgb.astype(np.float32) - self.card.mean) / self.card.std
        fed = {self._input: np.ascontiguousarray(pixels.transpose(2, 0, 1)[None])}
        if network is not None:
            fed[NETWORKS] = np.arange(self.networks) == network
        logits, view, varieties, mask, features = (
            np.asarray(output[0], np.float32) for output in self._session.run(list(OUTPUTS), fed)
        )
        return logits, view, varieties, mask, features

    def settle(self, looks: tuple[Look, ...], size_hw: tuple[int, int], *, mapped: bool = True) -> Recognition:
        """The calibrated answer for a picture of ``size_hw``: by all looks, see :func:`mean_logits`, or the only one.

        Without ``mapped`` the recognition has no map of the part.
        """
        card = self.card
        labels = label_map(looks, size_hw, 2 * card.input_px) if mapped else None
        telling = looks[1:] or looks
        logits = mean_logits(looks, card.whole_weight)
        p = softmax(logits, card.temperature)
        probabilities = dict(zip(card.classes, (float(value) for value in p), strict=True))
        best = max(probabilities, key=lambda name: probabilities[name])
        sure = probabilities[best] >= card.unsure_below
        seen = sure and (best == card.nothing or self._sees_part(looks, size_hw, labels))
        strange = best != card.nothing and self._strange(logits)
        answer = best if seen and not strange else UNSURE
        held = {best, card.nothing} if strange else {best}
        in_set = tuple(name for name in card.classes if name in held or probabilities[name] >= card.set_from)
        return Recognition(
            answer=answer,
            probabilities=probabilities,
            prediction_set=in_set,
            view=card.views[int(np.argmax(np.mean([look.view for look in telling], axis=0)))],
            varieties=self._varieties(np.mean([look.varieties for look in telling], axis=0), answer),
            labels=labels,
            model_sha256=card.sha256,
            features=looks[0].features,
        )

    def _strange(self, logits: Floats) -> bool:
        """Whether the object is likely of no known kind, by the card's score of the logits (C,)."""
        card = self.card
        if not card.strange_by:
            return False
        return bool(STRANGENESS[card.strange_by](logits, card.classes.index(card.nothing)) >= card.strange_from)

    def _sees_part(self, looks: tuple[Look, ...], size_hw: tuple[int, int], labels: Bytes | None) -> bool:
        """Whether as much of the picture is labelled as part as the card wants; a coarse map tells the clear cases."""
        least, whole_px = self.card.least_part_share, 2 * self.card.input_px
        if labels is None:
            coarse = label_map(looks, size_hw, whole_px // COARSER)
            labels = coarse if np.mean(coarse == PART) >= CLEARLY * least else label_map(looks, size_hw, whole_px)
        return float(np.mean(labels == PART)) >= least

    def _varieties(self, logits: Floats, answer: str) -> dict[str, Variety]:
        """The second answers that are asked of the class ``answer``."""
        said: dict[str, Variety] = {}
        start = 0
        for head in self.card.varieties:
            p = softmax(logits[start : start + len(head.answers)], head.temperature)
            start += len(head.answers)
            if answer in head.classes:
                best = int(np.argmax(p))
                said[head.name] = Variety(head.answers[best], float(p[best]))
        return said


def softmax(logits: Floats, temperature: float = 1.0, axis: int = 0) -> NDArray[np.float64]:
    """Probabilities exp(z/T) / sum exp(z/T) [Guo et al. 2017, On Calibration of Modern Neural Networks].

    Examples
    --------
    >>> softmax(np.array([0.0, np.log(3.0)])).round(3).tolist()
    [0.25, 0.75]
    """
    scaled = np.asarray(logits, np.float64) / temperature
    powers = np.exp(scaled - scaled.max(axis=axis, keepdims=True))
    return np.asarray(powers / powers.sum(axis=axis, keepdims=True), np.float64)


def _log_sum(logits: Floats) -> NDArray[np.float64]:
    most = logits.max(axis=-1)
    return np.asarray(most + np.log(np.exp(logits.astype(np.float64) - most[..., None]).sum(axis=-1)), np.float64)


def _fittings(logits: Floats, nothing: int) -> Floats:
    return np.delete(logits, nothing, axis=-1)


#: Scores (...,) of logits (..., C), before calibration, by the number of the class that means no fitting: the higher,
#: the less like a known fitting. "nothing": log odds of that class [outlier exposure, Hendrycks et al. 2019]. Of the
#: fittings alone: "probability", "largest logit" [Hendrycks et al. 2017, 2022], "energy" [Liu et al. 2020].
STRANGENESS: dict[str, Callable[[Floats, int], NDArray[np.float64]]] = {
    "nothing": lambda logits, nothing: np.asarray(logits[..., nothing] - _log_sum(_fittings(logits, nothing))),
    "probability": lambda logits, nothing: -np.exp(_fittings(logits, nothing).max(axis=-1) - _log_sum(logits)),
    "largest logit": lambda logits, nothing: np.asarray(-_fittings(logits, nothing).max(axis=-1)),
    "energy": lambda logits, nothing: -_log_sum(_fittings(logits, nothing)),
}


def mean_logits(looks: Sequence[Look], whole_weight: float = 0.0) -> Floats:
    """The mean (C,) over the near looks, the whole picture's look weighing ``whole_weight``; or of the only look."""
    near = np.mean([look.logits for look in looks[1:] or looks], axis=0)
    return np.asarray(whole_weight * looks[0].logits + (1 - whole_weight) * near, np.float32)


def part_square(look: Look, size_hw: tuple[int, int], share: float, seen_from: float = SEEN_FROM) -> Square | None:
    """The square around the part that a look has seen, its longer side filling ``share``; None where none is seen.

    A pixel is of the part where its probability is over ``seen_from``, by the mask that aims.
    """
    mask = look.mask if look.aim is None else look.aim
    part = (softmax(mask, axis=0)[PART] > seen_from).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(part, connectivity=8)
    areas = stats.reshape(-1, 5)[1:count, cv2.CC_STAT_AREA]
    if len(areas) == 0 or areas.max() < 4:
        return None
    kept = stats.reshape(-1, 5)[1:count][areas >= 0.1 * areas.max()]
    (left, top), (right, bottom) = kept[:, :2].min(axis=0), (kept[:, :2] + kept[:, 2:4]).max(axis=0)
    scale = look.square.side_px / part.shape[1]
    side = round(max(right - left, bottom - top) * scale / share)
    if side > 0.9 * max(size_hw) or side < 32:
        return None
    x, y = look.square.left_px + (left + right) / 2 * scale, look.square.top_px + (top + bottom) / 2 * scale
    return Square(float(round(x - side / 2)), float(round(y - side / 2)), float(side))


def label_map(looks: tuple[Look, ...], size_hw: tuple[int, int], long_side_px: int) -> Bytes:
    """Labels (h, w) uint8 over the whole picture: the mask of the first look, sharpened where nearer looks have one."""
    factor = min(1.0, long_side_px / max(size_hw))
    h, w = (max(1, round(side * factor)) for side in size_hw)
    leads = [np.zeros((h, w), np.float32) for _ in range(2)]  # of the part and of the reference over the background
    for rank, look in enumerate(looks):
        rows, columns = look.mask.shape[1:]
        scale = np.array([look.square.side_px * factor / columns, look.square.side_px * factor / rows])
        # pixel centres: the corner of a pixel is at -0.5 in both maps
        corner = np.array([look.square.left_px, look.square.top_px]) * factor + 0.5 * (scale - 1)
        weight, border = (3.0, cv2.BORDER_CONSTANT) if rank else (1.0, cv2.BORDER_REPLICATE)
        low, high = np.zeros(2, int), np.array([w, h])
        if rank:  # a nearer look says nothing beyond its square
            low = np.clip(np.floor(corner - scale).astype(int), low, high)
            high = np.clip(np.ceil(corner + scale * (columns, rows)).astype(int) + 1, low, high)
        if (high > low).all():
            nothing, *others = weight * softmax(look.mask, axis=0)
            to_map = np.column_stack([np.diag(scale), corner - low])
            for total, chance in zip(leads, others, strict=True):  # planes one by one: together they take longer
                ahead = np.asarray(chance - nothing, np.float32)
                seen = cv2.warpAffine(ahead, to_map, (high - low).tolist(), flags=cv2.INTER_LINEAR, borderMode=border)
                total[low[1] : high[1], low[0] : high[0]] += seen
    part, reference = leads
    is_part = (part > 0) & (part >= reference)
    return np.where((reference > 0) & (reference > part), np.uint8(2), is_part.view(np.uint8))
