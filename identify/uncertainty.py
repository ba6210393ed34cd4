"""Uncertainty of a measured value: a budget by the GUM, its Monte Carlo twin, and the mixture of two poses.

References: JCGM 100:2008 (law of propagation, section 5; expanded uncertainty, section 6), JCGM 101:2008
(propagation of distributions by a Monte Carlo method).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from identify.geometry.camera import moved
from identify.model import Array, BudgetLine, Camera, Pose

COVERAGE = 0.95
_STEPS = np.array([1e-3, 1e-4, 1e-4, 1e-4, 0.02, 0.02, 0.02])  # ln focal, rad, rad, rad, mm, mm, mm

Function = Callable[[Camera, Pose, Array], float]
Functions = Callable[[Camera, Pose, Array], Array]


@dataclass(frozen=True, slots=True)
class Extra:
    """One scalar input beside camera and pose: a shift about zero with its standard uncertainty.

    ``step`` is the half width of the central difference; by default the standard uncertainty itself.
    """

    name: str
    u: float
    step: float | None = None


@dataclass(frozen=True, slots=True)
class Estimate:
    """One pose's value with its budget; ``u`` is the root of the sum of squares of the lines."""

    value: float
    budget: tuple[BudgetLine, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty in the unit of the value."""
        return math.sqrt(sum(line.u**2 for line in self.budget))


def propagate(
    function: Function,
    camera: Camera,
    pose: Pose,
    *,
    extras: Sequence[Extra] = (),
    lines: Sequence[BudgetLine] = (),
    within: Sequence[BudgetLine] = (),
) -> Estimate:
    """First-order propagation of pose, focal length and extra inputs through ``function`` (JCGM 100, 5.1.2).

    Parameters
    ----------
    function : value of (camera, pose, shifts (E,)); the shifts are those of ``extras``, zero at the estimate.
    extras : further inputs, uncorrelated with the pose and with each other.
    lines : contributions known beforehand, in the unit of the value.
    within : contributions that the pose's covariance already holds, to be shown apart from its other parts.

    Returns
    -------
    Estimate
        The focal length's line is the part of the pose's covariance that it explains; the pose's line is the rest,
        so that the lines add in quadrature although the two are correlated.

    Raises
    ------
    ValueError
        If the function gives a value that is not finite at the estimate.
    """

    def alone(seen_by: Camera, at: Pose, shifts: Array) -> Array:
        return np.array([function(seen_by, at, shifts)])

    return propagate_all(alone, camera, pose, extras=extras, lines=(lines,), within=(within,))[0]


def propagate_all(
    functions: Functions,
    camera: Camera,
    pose: Pose,
    *,
    extras: Sequence[Extra] = (),
    lines: Sequence[Sequence[BudgetLine]],
    within: Sequence[Sequence[BudgetLine]] | None = None,
) -> tuple[Estimate, ...]:
    """``propagate`` for Q values at once, for functions that share most of their work.

    Parameters
    ----------
    functions : Q values (Q,) of (camera, pose, shifts (E,)).
    lines, within : Q lists of contributions, as in ``propagate``.

    Raises
    ------
    ValueError
        If a value is not finite at the estimate, or ``lines`` holds another number of lists than Q.
    """
    rest = np.zeros(len(extras))
    values = functions(camera, pose, rest)
    if len(lines) != len(values) or not np.isfinite(values).all():
        raise ValueError(f"Need finite values and as many lists of lines, got {values} and {len(lines)} lists.")
    gradient = pose_gradient(functions, camera, pose, rest)
    covariance = pose.covariance
    variance = np.einsum("iq,ij,jq->q", gradient, covariance, gradient)
    focal = float(covariance[0, 0])
    by_focal = (gradient.T @ covariance[:, 0]) ** 2 / focal if focal > 0 else np.zeros(len(values))
    slopes = [_slope(functions, camera, pose, extras, index) for index in range(len(extras))]
    estimates = []
    for q, value in enumerate(values):
        held = within[q] if within is not None else ()
        budget = _pose_lines(math.sqrt(max(0.0, variance[q])), math.sqrt(by_focal[q]), held)
        budget += [
            BudgetLine(extra.name, abs(float(slope[q])) * extra.u) for extra, slope in zip(extras, slopes, strict=True)
        ]
        estimates.append(Estimate(float(value), (*budget, *lines[q])))
    return tuple(estimates)


def _pose_lines(whole: float, by_focal: float, within: Sequence[BudgetLine]) -> list[BudgetLine]:
    """The pose's contribution split into focal length, what is known to be within, and the rest, in quadrature."""
    left = whole**2 - min(by_focal, whole) ** 2
    lines = [BudgetLine("focal length", min(by_focal, whole))]
    for line in within:
        share = min(line.u**2, left)
        lines.append(BudgetLine(line.name, math.sqrt(share)))
        left -= share
    return [*lines, BudgetLine("pose", math.sqrt(max(0.0, left)))]


def _slope(functions: Functions, camera: Camera, pose: Pose, extras: Sequence[Extra], index: int) -> Array:
    shift = np.zeros(len(extras))
    shift[index] = step = extras[index].step or extras[index].u or 1.0
    return (functions(camera, pose, shift) - functions(camera, pose, -shift)) / (2 * step)


def pose_gradient(functions: Functions, camera: Camera, pose: Pose, shifts: Array) -> Array:
    """Central-difference gradient (7, Q) of functions of camera and pose, in the order of ``Pose.covariance``."""
    rows = []
    for index, step in enumerate(_STEPS):
        delta = np.zeros(7)
        delta[index] = step
        ahead = functions(*moved(camera, pose, delta), shifts)
        behind = functions(*moved(camera, pose, -delta), shifts)
        rows.append((ahead - behind) / (2 * step))
    return np.array(rows)


def monte_carlo(
    function: Function,
    camera: Camera,
    pose: Pose,
    *,
    extras: Sequence[Extra] = (),
    draws: int = 2000,
    seed: int = 0,
) -> Array:
    """Values (draws,) of ``function`` with every input drawn from its normal distribution (JCGM 101, 7)."""
    source = np.random.default_rng(seed)
    steps = source.multivariate_normal(np.zeros(7), pose.covariance, size=draws, method="svd")
    shifts = source.normal(size=(draws, len(extras))) * np.array([extra.u for extra in extras])
    return np.array([function(*moved(camera, pose, steps[k]), shifts[k]) for k in range(draws)])


def mixture(estimates: Sequence[Estimate], weights: Sequence[float]) -> tuple[float, float]:
    """Mean value and the half width about it that holds 95 % of a mixture of normal distributions.

    One estimate alone gives its value and k = 2; two give an interval wide enough for both.

    Raises
    ------
    ValueError
        If there is no estimate or no weight.
    """
    shares = np.asarray(weights, float)
    if len(estimates) == 0 or len(shares) != len(estimates) or shares.sum() <= 0:
        raise ValueError(f"A mixture needs as many positive weights as estimates, got {len(estimates)} and {shares}.")
    shares = shares / shares.sum()
    values = np.array([estimate.value for estimate in estimates])
    spreads = np.maximum([estimate.u for estimate in estimates], 1e-12)
    if len(estimates) == 1:
        return float(values[0]), 2 * float(spreads[0])
    mean = float(shares @ values)
    low, high = 0.0, float(np.max(np.abs(values - mean) + 6 * spreads))
    for _ in range(60):
        middle = (low + high) / 2
        if _held(mean, middle, values, spreads, shares) < COVERAGE:
            low = middle
        else:
            high = middle
    return mean, high * 2 / 1.959964


def _held(mean: float, half: float, values: Array, spreads: Array, shares: Array) -> float:
    above = (mean + half - values) / spreads
    below = (mean - half - values) / spreads
    phi = [0.5 * (math.erf(a / math.sqrt(2)) - math.erf(b / math.sqrt(2))) for a, b in zip(above, below, strict=True)]
    return float(shares @ np.array(phi))


def mixed_budget(
    estimates: Sequence[Estimate], weights: Sequence[float], *, between: str = "sign of the tilt"
) -> tuple[BudgetLine, ...]:
    """The budget of a mixture: each line's root mean square over its members, and the spread ``between`` them."""
    shares = np.asarray(weights, float) / float(np.sum(weights))
    names = list(dict.fromkeys(line.name for estimate in estimates for line in estimate.budget))
    squares = {name: 0.0 for name in names}
    for share, estimate in zip(shares, estimates, strict=True):
        for line in estimate.budget:
            squares[line.name] += share * line.u**2
    lines = [BudgetLine(name, math.sqrt(square)) for name, square in squares.items()]
    values = np.array([estimate.value for estimate in estimates])
    spread = math.sqrt(float(shares @ (values - shares @ values) ** 2))
    return (*lines, BudgetLine(between, spread)) if len(estimates) > 1 else tuple(lines)
