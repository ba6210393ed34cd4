"""A photo of which only the class is wanted: decoded as small as will do, looked at as often as is worth it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from identify import classifier as recognisers
from identify import heic, photo
from identify.classifier import Classifier
from identify.model import Bytes, Photo, Recognition

LEAST = 2.5  # times the network's input: no picture is decoded to less; what is too coarse is decoded again on doubt
BLURRED = 0.75  # of the network's input: a near look at fewer pixels may want a finer picture
DOUBT = 0.7  # the best class's probability, before calibration, under which that is worth another decoding


def recognise_photo(
    source: bytes, *, name: str | None = None, classifier: Classifier | None = None
) -> tuple[Recognition, Photo]:
    """Say what is in one photo and measure nothing; the recognition has no map of the part.

    The photo is decoded to a quarter of its size, and again to a half where the first near look was finer than that and
    left doubt; that look is then taken again. Half of the time of a photo goes into its decoding. How many looks are
    taken stands in the model's card.

    Raises
    ------
    PhotoError
        The photo can't be read.
    ModelError
        The model file is missing or damaged.
    """
    network = (classifier or recognisers.load()).surveying()
    card = network.card
    least_px = round(LEAST * card.input_px)
    coarse = 2 if heic.is_heic(source) else 4  # HEIC is decoded whole in any case, and that takes long
    shot = photo.load(source, name=name, reduced=coarse, least_px=least_px)
    looks = network.looks(shot.rgb, near=1, until=card.sure_at)
    if shot.reduced == 4 and len(looks) > 1 and network.sureness(looks) < min(DOUBT, card.sure_at):
        if looks[1].square.side_px < BLURRED * card.input_px:
            shot = photo.load(source, name=name, reduced=2, least_px=least_px)
            looks = (replace(looks[0], square=recognisers.whole_square(shot.rgb.shape[:2])),)
    looks = network.looks(shot.rgb, looks, until=card.sure_at)
    return network.settle(looks, shot.rgb.shape[:2], mapped=False), shot


def features(rgb: Bytes, *, classifier: Classifier | None = None) -> NDArray[np.float32]:
    """What the first look of :func:`recognise_photo` at a picture (H, W, 3) would tell photos apart by, (F,)."""
    network = (classifier or recognisers.load()).surveying()
    return network.look(rgb, recognisers.whole_square(rgb.shape[:2])).features
