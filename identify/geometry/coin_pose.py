"""Possible poses of one coin, weighted: from its ellipse alone, or from the picture of both its rims.

All poses are of the coin's top face in the camera frame. Probabilities follow JCGM 101: draws or grid nodes, no
linearisation, because near straight-down the tilt is no linear function of what is seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from identify.geometry import ellipse as ellipses
from identify.geometry import lenses, walls
from identify.model import Array, Bytes, Camera, Ellipse

RIM_POINTS = 24  # independent places on a coin's rim: shadow and wear are alike over 15 degrees
DRAWS = 1600
DOUBTFUL, WIDER = 0.15, 2.0  # share of coins of which a shadow or wear is taken for part of the edge
STRANGER = 0.15  # probability that another rim in view does not lie in the coin's plane
USUAL_RADIUS_MM, USUAL_THICKNESS_MM = 11.5, 2.0  # of another coin; only their ratio matters


class Prior(Protocol):
    """How likely bench normals (N, 3) are, at a change of ln focal: (N,)."""

    def __call__(self, normals: Array, log_focal: float) -> Array:
        """Densities (N,) of normals (N, 3)."""
        ...


_NEAR = (0.0,)


@dataclass(frozen=True, slots=True, eq=False)
class Coin:
    """A coin as seen: rim [px] with the standard uncertainty of one of its places, and size [mm]."""

    rim: Ellipse
    u_px: float
    radius_mm: float
    thickness_mm: float
    u_size_rel: float


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """A camera with standard uncertainties: of ln focal, of the radial term, of the principal point [px]."""

    camera: Camera
    u_log_focal: float
    u_k1: float
    u_centre_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Possible poses: change of ln focal (N,), normals and centres [mm] (N, 3), weights (N,), and which sign (N,)."""

    log_focal: Array
    normals: Array
    centres: Array
    weights: Array
    mode: NDArray[np.intp]


def from_ellipse(coin: Coin, lens: Lens, prior: Prior) -> Draws:
    """Both poses of a coin for every draw of its rim, its size and the lens.

    Noise is even over ellipses, and the ellipse goes with the square of the tilt: even over ellipses is |tilt|² over
    tilts, which is taken out, and ``prior`` put in: a density over normals (N, 3) at a change of ln focal, here 0.
    """
    noise = np.random.default_rng(20)
    log_focal = lens.u_log_focal * np.clip(noise.standard_normal(DRAWS), -2.5, 2.5)
    shift = lens.u_centre_px * noise.standard_normal((DRAWS, 1, 2))
    k1 = lens.u_k1 * noise.standard_normal((DRAWS, 1, 1))
    radius = coin.radius_mm * (1 + coin.u_size_rel * noise.standard_normal(DRAWS))
    rim, outward = ellipses.rim(coin.rim, RIM_POINTS)
    across = coin.u_px * noise.standard_normal((DRAWS, RIM_POINTS, 1))
    seen = rim + across * outward - np.asarray(lens.camera.centre_xy_px) - shift
    slopes = seen / (lens.camera.focal_px * np.exp(log_focal))[:, None, None]
    slopes = slopes / (1 + k1 * np.sum(slopes**2, axis=2, keepdims=True))
    turn = np.zeros((DRAWS, 1, 3))  # what a moved principal point turns, reference and part alike, is turned back
    turn[..., 0], turn[..., 1] = -shift[..., 1] / lens.camera.focal_px, shift[..., 0] / lens.camera.focal_px
    normals, centres = (
        (side + np.cross(turn, side)).reshape(-1, 3) for side in ellipses.circle_poses(ellipses.cones(slopes), radius)
    )
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    tilts = walls.tilt_vectors(normals, centres)
    weights = prior(normals, 0.0) / np.maximum(np.linalg.norm(tilts, axis=1), math.radians(1.0)) ** 2
    x, y = tilts.T
    axis = math.atan2(float(np.sum(2 * x * y)), float(np.sum(x * x - y * y))) / 2
    mode = (tilts @ [math.cos(axis), math.sin(axis)] > 0).astype(np.intp)
    return Draws(np.repeat(log_focal, 2), normals, centres, weights / weights.sum(), mode)


def from_picture(rgb: Bytes, coin: Coin, others: tuple[Ellipse, ...], lens: Lens, prior: Prior) -> Draws | None:
    """Poses from the edges beside the coin and, where the focal length is known, beside other rims in its plane.

    Parameters
    ----------
    prior : density over normals (N, 3) at a change of ln focal
    lens : where its focal length is not known, the usual one

    Returns
    -------
    None where the picture shows hardly any edges along the coin's rim.
    """
    seen = walls.surroundings(rgb, coin.rim)
    if seen is None:
        return None
    known = lens.u_log_focal < 0.06
    around = [found for other in others if known for found in [walls.surroundings(rgb, other)] if found is not None]
    shifts, shares = (_NEAR, (1.0,)) if known else (lenses.SHIFTS, lenses.SHARES)
    grids = [
        _judged(seen, around, coin, refocused(lens.camera, shift), partial(prior, log_focal=shift)) for shift in shifts
    ]
    logs = [found.log_likelihood + math.log(share) for found, share in zip(grids, shares, strict=True)]
    if not known:
        away = [np.linalg.norm(found.centres_mm, axis=1) for found in grids]
        logs = [log + lenses.log_odds_of_distance(far) for log, far in zip(logs, away, strict=True)]
    all_logs = np.concatenate(logs)
    weights = np.exp(all_logs - all_logs.max())
    tilts = np.concatenate([found.tilts_rad for found in grids])
    return Draws(
        log_focal=np.concatenate(
            [np.full(len(found.tilts_rad), shift) for found, shift in zip(grids, shifts, strict=True)]
        ),
        normals=np.concatenate([found.normals for found in grids]),
        centres=np.concatenate([found.centres_mm for found in grids]),
        weights=weights / weights.sum(),
        mode=_modes(tilts, all_logs),
    )


def refocused(camera: Camera, log_focal: float) -> Camera:
    """The camera at another focal length."""
    return Camera(camera.focal_px * math.exp(log_focal), camera.centre_xy_px, camera.u_focal_rel, camera.focal_source)


def _judged(
    seen: walls.Surroundings,
    around: list[walls.Surroundings],
    coin: Coin,
    camera: Camera,
    density: Callable[[Array], Array],
) -> walls.Normals:
    """Fine grids about the two best tilts, with the log of their probability for ``log_likelihood``."""
    own = partial(walls.judge, seen, camera, radius_mm=coin.radius_mm, thickness_mm=coin.thickness_mm)
    tilts, area = walls.coarse_tilts_rad()
    first = own(tilts)
    peak = float(first.log_likelihood.max())
    coarse = _log_posterior(first, around, camera, density, area, peak)
    modes = _modes(coarse.tilts_rad, coarse.log_likelihood)
    grids: list[walls.Normals] = []
    for mode in np.unique(modes):
        mine = np.where(modes == mode, coarse.log_likelihood, -np.inf)
        middle = coarse.tilts_rad[int(np.argmax(mine))]
        tilts, area = walls.fine_tilts_rad(middle)
        if grids:
            apart = np.max(np.abs(tilts - grids[0].tilts_rad.mean(axis=0)), axis=1) > math.radians(4.25)
            tilts, area = tilts[apart], area[apart]
        if len(tilts) and mine.max() > coarse.log_likelihood.max() - 12:
            grids.append(_log_posterior(own(tilts), around, camera, density, area, peak))
    return walls.Normals(
        *(
            np.concatenate([getattr(grid, name) for grid in grids])
            for name in ("tilts_rad", "normals", "centres_mm", "log_likelihood")
        )
    )


def _log_posterior(
    own: walls.Normals,
    around: list[walls.Surroundings],
    camera: Camera,
    density: Callable[[Array], Array],
    area: Array,
    peak: float,
) -> walls.Normals:
    """What the coin's own edges say of each normal, with the prior and with the rims around it."""
    log = _doubted(own.log_likelihood - peak) + np.log(np.maximum(density(own.normals), 1e-300)) + np.log(area)
    for other in around:
        likely = np.flatnonzero(log > log.max() - 20)
        tilts = walls.tilt_vectors(own.normals[likely], walls.sight(other.start, camera)[None])
        theirs = walls.judge(
            other, camera, tilts, radius_mm=USUAL_RADIUS_MM, thickness_mm=USUAL_THICKNESS_MM
        ).log_likelihood
        theirs = theirs - theirs.max()
        gain = np.log((1 - STRANGER) * np.exp(theirs) + STRANGER * np.exp(theirs).mean())
        unlikely = np.full_like(log, -1e3)
        unlikely[likely] = log[likely] + gain
        log = unlikely
    return walls.Normals(own.tilts_rad, own.normals, own.centres_mm, log)


def _doubted(log_likelihood: Array) -> Array:
    """Log likelihood against its peak, where some coins are seen much less surely than their edge suggests.

    What those say is spread WIDER times as far: over WIDER² the area, at 1 / WIDER² of the log likelihood.
    """
    sure = math.log(1 - DOUBTFUL) + log_likelihood
    wide = math.log(DOUBTFUL / WIDER**2) + log_likelihood / WIDER**2
    return np.logaddexp(sure, wide)


def _modes(tilts_rad: Array, logs: Array) -> NDArray[np.intp]:
    """0 about the likeliest tilt, 1 about the likeliest one that is further than six degrees from it."""
    first = tilts_rad[int(np.argmax(logs))]
    far = np.linalg.norm(tilts_rad - first, axis=1) > math.radians(6)
    if not np.any(far):
        return np.zeros(len(logs), np.intp)
    second = tilts_rad[int(np.argmax(np.where(far, logs, -np.inf)))]
    return np.asarray(np.linalg.norm(tilts_rad - second, axis=1) < np.linalg.norm(tilts_rad - first, axis=1), np.intp)
