"""Whether a second photo of one tap is told from photos of others: by the print, by the traits, by the survey's rule.

    python -m training.second_shots --pictures runs/calibration [--view installed]

Two photos of one thing are made from one picture as a camera that is turned, rolled and zoomed in the hand sees it (a
rotation about the lens is a homography, Hartley & Zisserman 2004, 8.4.2), the second with a worse camera; a step to the
side, which moves near things against far ones, is not in them. Photos of two things are all pairs of the folder.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from identify import classifier, glance
from identify.model import Bytes
from identify.survey import likeness
from training.prepare import read_manifest
from training.sample import Picture, each, pictures, rgb_of, worn

SHIFTS = {"a touch": 0.5, "another hand": 1.0, "far": 2.0}  # one sigma of each angle is about 2° times this
TURN_DEG, ROLL_DEG, NEARER, FARTHER = 2.2, 2.5, 0.2, 0.14
ROOM = 1.32  # both shots are this much nearer than the picture, so that neither sees its edges
STEPS = (0.07, 0.08, 0.09, 0.1, 0.12, 0.15, 0.18, 0.2, 0.25, 0.3)
Mark = tuple[str, str]


def shot(rgb: Bytes, rng: np.random.Generator, strength: float) -> Bytes:
    """The picture (H, W, 3) from a camera turned at random; ``strength`` 0 turns nothing."""
    height, width = rgb.shape[:2]
    zoom = ROOM * rng.uniform(1 - FARTHER * strength, 1 + NEARER * strength)
    turn = np.radians(rng.normal(0, 1, 3) * (TURN_DEG, TURN_DEG, ROLL_DEG)) * strength
    lens = np.array([[width, 0, width / 2], [0, width, height / 2], [0, 0, 1.0]])
    other = np.array([[width * zoom, 0, width / 2], [0, width * zoom, height / 2], [0, 0, 1.0]])
    seen = other @ cv2.Rodrigues(turn)[0] @ np.linalg.inv(lens)
    return np.asarray(cv2.warpPerspective(rgb, seen, (width, height), borderMode=cv2.BORDER_REFLECT), np.uint8)


def mark(network: classifier.Classifier, rgb: Bytes) -> Mark:
    """Print and traits as a survey has them."""
    return likeness.print_of(rgb), likeness.traits_of(glance.features(rgb, classifier=network))


def marks(network: classifier.Classifier, picture: Picture) -> list[Mark]:
    """Of the picture as it is, and of each of :data:`SHIFTS`."""
    rgb, rng = rgb_of(picture), np.random.default_rng([picture.line["seed"] % 2**32, 11])
    first = shot(rgb, rng, 0.0)
    return [mark(network, first), *(mark(network, worn(shot(rgb, rng, s), rng)) for s in SHIFTS.values())]


def _bits(texts: list[str]) -> NDArray[np.uint8]:
    return np.array([np.frombuffer(bytes.fromhex(text), np.uint8) for text in texts])


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """How pairs of photos differ (N,): bits of the print, share of the traits."""

    bits: NDArray[np.int64]
    angle: NDArray[np.float64]

    @classmethod
    def of(cls, ones: list[Mark], others: list[Mark]) -> Pairs:
        """One and other, pair by pair."""
        bits, signs = (
            np.bitwise_count(_bits([one[n] for one in ones]) ^ _bits([other[n] for other in others])).sum(axis=1)
            for n in (0, 1)
        )
        return cls(bits, signs / likeness.TRAIT_BITS)

    def joined(self) -> float:
        """Share that the survey's rule takes for one thing."""
        near = (self.bits <= likeness.NEAR_BITS) & (self.angle <= likeness.FAR_TRAITS)
        return float(np.mean(near | (self.angle <= likeness.NEAR_TRAITS)))


def told(name: str, pairs: Pairs) -> str:
    """A line of the table."""
    shares = "".join(f"{np.mean(pairs.angle <= step):8.2%}" for step in STEPS)
    by_print = np.mean(pairs.bits <= likeness.NEAR_BITS)
    return f"{name:36s}{len(pairs.bits):7d}{by_print:9.2%}{shares}{pairs.joined():9.2%}"


def table(seen: list[list[Mark]], lines: list[dict[str, Any]]) -> list[str]:
    """Second shots above, pairs of different things below."""
    heads = "".join(f"{f'<={step:g}':>8s}" for step in STEPS)
    rows = [f"{'':36s}{'pairs':>7s}{'print':>9s}{heads}{'joined':>9s}"]
    firsts = [row[0] for row in seen]
    rows += [
        told(f"second shot, {name}", Pairs.of(firsts, [row[number] for row in seen]))
        for number, name in enumerate(SHIFTS, start=1)
    ]
    alike: dict[str, Callable[[dict[str, Any], dict[str, Any]], bool]] = {
        "other things": lambda one, other: True,
        "other things of its class and view": lambda one, other: (
            (one["class"], one["view"]) == (other["class"], other["view"])
        ),
    }
    for name, wanted in alike.items():
        pairs = [(a, b) for a in range(len(lines)) for b in range(len(lines)) if a != b and wanted(lines[a], lines[b])]
        rows.append(told(name, Pairs.of([firsts[a] for a, _ in pairs], [seen[b][2] for _, b in pairs])))
    return rows


def main(arguments: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m training.second_shots", description=__doc__.splitlines()[0])
    parser.add_argument("--model", type=Path, help="model file; without: the one that ships")
    parser.add_argument("--pictures", type=Path, required=True)
    parser.add_argument("--view", help="only pictures of this view")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args(arguments)
    network = classifier.load(options.model)
    lines = [line for line in read_manifest(options.pictures) if options.view in (None, line["view"])]
    seen = each(lambda one: marks(network, one), pictures(options.pictures, lines), workers=options.workers)
    print("Shares of the pairs of which the print, an angle of the features [pi], or the survey's rule says one thing:")
    print("\n".join(table(seen, lines)))


if __name__ == "__main__":
    main()
