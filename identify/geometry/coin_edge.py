"""Where a coin's edge is: a small network looks at the picture unwrapped about a first ellipse.

It gives, for every spoke, odds over the radii of the top rim and of the outline with the side wall. It was trained on
drawn and rendered coins only (``training.fit_rings``); the card beside the model file says on how many.
"""

from __future__ import annotations

import hashlib
import math
import tomllib
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
import onnxruntime as ort

from identify import weights
from identify.errors import ModelError
from identify.geometry import rings
from identify.geometry.rings import Edge
from identify.model import Array, Bytes, Ellipse

NAME = "coin_edge.onnx"
LEAST_CONTRAST = 0.002  # of a picture that shows anything: half a grey level
AT_ONCE = 2  # coins in one pass of the network: what is worked out for them stays in the processor's cache


@lru_cache(maxsize=2)
def load(path: Path | None = None) -> ort.InferenceSession:
    """The network in a file, or the one that ships with the package; its card is the .toml beside it.

    Raises
    ------
    ModelError
        The file or its card is missing, or its SHA-256 is not the card's.
    """
    path = path or weights.shipped(NAME)
    try:
        data = path.read_bytes()
        card = tomllib.loads(path.with_suffix(".toml").read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise ModelError(f"{path.name} or its card can't be read ({error}); install the package again.") from error
    if hashlib.sha256(data).hexdigest() != card.get("sha256"):
        raise ModelError(f"{path.name} is not the file that its card names; install the package again.")
    return weights.session(data)


def log_odds(rgb: Bytes, starts: Sequence[Ellipse]) -> Array:
    """Log odds (N, 2, SPOKES, len(SCALES)) of top rim and outline about each of the ellipses.

    Where the picture about an ellipse is all of one colour, every radius is as likely as any other.
    """
    pictures = [np.moveaxis(rings.unwrap(rgb, start), 2, 0) for start in starts]
    parts = [
        load().run(None, {"unwrapped": np.stack(pictures[first : first + AT_ONCE])})[0]
        for first in range(0, len(pictures), AT_ONCE)
    ]
    if not parts:
        return np.zeros((0, 2, rings.SPOKES, len(rings.SCALES)))
    odds = np.concatenate(parts)
    odds[[picture.std() < LEAST_CONTRAST for picture in pictures]] = -math.log(len(rings.SCALES))
    return odds


def edges(rgb: Bytes, starts: Sequence[Ellipse], *, least_support: float = 0.0) -> list[Edge | None]:
    """The edge of the coin about each of the ellipses; None where there is none, or one of less support."""
    odds = log_odds(rgb, starts)
    return [rings.edge(one[0], start, least_support=least_support) for one, start in zip(odds, starts, strict=True)]
