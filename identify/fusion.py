"""Several photos of one part: one recognition and one value a quantity.

Photos are taken as independent evidence for the class. Values are weighted by their inverse variance (JCGM 100, G.2;
weighted mean), but what the photos share, such as the reference's size or the lens, does not average out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import chdtri

from identify.model import UNSURE, BudgetLine, Measurement, NotMeasured, Recognition, Variety

COVERAGE = 0.95
DISAGREE = 0.01  # chance that values of one part spread this far
LEAST = 1e-4  # no photo alone rules a class out
OWN = {  # budget lines that are drawn anew with each photo; any other is taken as shared by the photos
    *("edge", "part edge", "outline", "end faces", "crests", "spectral peak"),
    *("level of the thread's edges", "another place may be the thread"),
    *("pose", "sign of the tilt", "height of the axis"),
}


def recognitions(seen: Sequence[Recognition]) -> Recognition:
    """One recognition from the product of the photos' probabilities.

    The answer is unsure where no photo alone was sure of the likeliest class.
    """
    if len(seen) == 1:
        return seen[0]
    names = list(seen[0].probabilities)
    weights = [math.prod(max(LEAST, each.probabilities.get(name, 0.0)) for each in seen) for name in names]
    total = sum(weights)
    shares = {name: weight / total for name, weight in zip(names, weights, strict=True)}
    ranked = sorted(shares, key=lambda name: (-shares[name], name))
    answer = ranked[0] if any(each.answer == ranked[0] for each in seen) else UNSURE
    covered, kept = 0.0, []
    for name in ranked:
        kept.append(name)
        covered += shares[name]
        if covered >= COVERAGE:
            break
    loose = [each.view for each in seen if each.view != "installed"]
    return Recognition(
        answer=answer,
        probabilities=shares,
        prediction_set=tuple(kept),
        view=loose[0] if loose else seen[0].view,
        varieties=_varieties(seen, answer),
        labels=None,
        model_sha256=seen[0].model_sha256,
    )


def _varieties(seen: Sequence[Recognition], answer: str) -> dict[str, Variety]:
    """Second answers of the photos that gave the common answer, by the product of the odds."""
    agreeing = [each for each in seen if each.answer == answer]
    joint: dict[str, Variety] = {}
    for name in dict.fromkeys(name for each in agreeing for name in each.varieties):
        votes = [each.varieties[name] for each in agreeing if name in each.varieties]
        answers = list(dict.fromkeys(vote.answer for vote in votes))
        weights = [
            math.prod(max(LEAST, vote.probability if vote.answer == said else 1 - vote.probability) for vote in votes)
            for said in answers
        ]
        against = math.prod(max(LEAST, 1 - vote.probability) for vote in votes)
        best = int(np.argmax(weights))
        total = sum(weights) + (against if len(answers) == 1 else 0.0)
        joint[name] = Variety(answers[best], weights[best] / total)
    return joint


def measurements(
    measured: Sequence[Sequence[Measurement]], missed: Sequence[Sequence[NotMeasured]]
) -> tuple[tuple[Measurement, ...], tuple[NotMeasured, ...]]:
    """One value a quantity; values that contradict each other become a NotMeasured that names them."""
    found: list[Measurement] = []
    lacking: list[NotMeasured] = []
    for quantity in dict.fromkeys(each.quantity for photo in measured for each in photo):
        same = [each for photo in measured for each in photo if each.quantity == quantity]
        joint = _joint(same)
        if isinstance(joint, NotMeasured):
            lacking.append(joint)
        else:
            found.append(joint)
    have = {each.quantity for each in found} | {each.quantity for each in lacking}
    for miss in (miss for photo in missed for miss in photo):
        if miss.quantity not in have:
            lacking.append(miss)
            have.add(miss.quantity)
    return tuple(found), tuple(lacking)


def _joint(same: Sequence[Measurement]) -> Measurement | NotMeasured:
    best = min(same, key=lambda each: each.u95)
    if len(same) == 1:
        return best
    values, us = np.array([each.value for each in same]), np.array([max(each.u95 / 2, 1e-9) for each in same])
    weights = us**-2 / np.sum(us**-2)
    mean = float(weights @ values)
    if float(np.sum(((values - mean) / us) ** 2)) > chdtri(len(same) - 1, DISAGREE):
        said = ", ".join(str(each) for each in same)
        advice = "Check that all photos show one part, and measure it with a calliper."
        return NotMeasured(best.quantity, f"The photos contradict each other: {said}.", advice)
    budget = _joint_budget(same, us, weights)
    u95 = 2 * math.sqrt(sum(line.u**2 for line in budget))
    method = f"mean of {len(same)} photos; {best.method}"
    return Measurement(best.quantity, mean, u95, best.unit, method, budget, best.line_px, best.edges_px)


def _joint_budget(same: Sequence[Measurement], us: np.ndarray, weights: np.ndarray) -> tuple[BudgetLine, ...]:
    """What each photo draws anew adds in quadrature; what the photos share adds straight."""
    own: dict[str, float] = {}
    shared: dict[str, float] = {}
    for each, u, weight in zip(same, us, weights, strict=True):
        lines = each.budget or (BudgetLine("edge", float(u)),)
        whole = math.sqrt(sum(line.u**2 for line in lines))
        stretch = float(u) / whole if whole > 0 else 0.0  # u95 may be wider than the lines alone
        for line in lines:
            part = float(weight) * line.u * stretch
            if line.name in OWN:
                own[line.name] = math.hypot(own.get(line.name, 0.0), part)
            else:
                shared[line.name] = shared.get(line.name, 0.0) + part
    return tuple(BudgetLine(name, u) for name, u in (own | shared).items())
