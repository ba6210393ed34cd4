"""What to carry for installed taps: the sizes that may be inside, and what has to be checked on site before ordering.

An installed tap hides its insert. The rules say which rows of the tables its class and what was seen leave possible;
their probabilities, summed over the taps, are what one would expect to find, not an order.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from identify import retake, rules, tables
from identify.model import Recognition, Variety
from identify.survey.sheet import Cell, Sheet
from identify.verdict import Candidate, Check

LEAST = 0.05  # of the taps of a class: rarer sizes are not carried
MOST_CHECKS = 3
Seen = tuple[str, tuple[tuple[str, str, float], ...]]  # class, and varieties with their answers and probabilities

HEADS = ("class", "candidate", "sizes and kinds", "installed taps", "expected among them")


def seen_as(answer: str, varieties: Iterable[tuple[str, str, float]]) -> Seen:
    """What decides the candidates of a tap; probabilities in tenths, so that many taps share one sum."""
    return answer, tuple((name, kind, round(p, 1)) for name, kind, p in varieties)


def candidates(taps: Counter[Seen]) -> Sheet:
    """The sheet of candidates for so many installed taps of each kind."""
    numbers = {HEADS[3]: int, HEADS[4]: float}
    lines: list[tuple[Cell, ...]] = []
    for name in sorted({answer for answer, _ in taps}):
        lines += _of_class(name, {seen: count for seen, count in taps.items() if seen[0] == name})
    heads = (*HEADS, "check on site", "can't be known from outside")
    return Sheet("candidates", heads, tuple(lines), numbers)


def hidden(answer: str) -> str:
    """What can't be known of an installed tap of a class: its quantities, named."""
    known = tables.load()
    return ", ".join(quantity.replace("_", " ") for quantity in known.fitting(answer).quantities)


def _of_class(name: str, taps: dict[Seen, int]) -> list[tuple[Cell, ...]]:
    expected: Counter[str] = Counter()
    told: dict[str, Candidate] = {}
    asked: dict[str, Check] = {}
    for seen, count in sorted(taps.items()):
        verdict = rules.judge(_recognition(seen), ())
        for candidate in verdict.candidates:
            expected[candidate.id] += count * candidate.probability  # type: ignore[assignment]
            told.setdefault(candidate.id, candidate)
        for check in verdict.checks[:MOST_CHECKS]:
            asked.setdefault(check.id, check)
    count = sum(taps.values())
    checks = " ".join(check.question for check in list(asked.values())[:MOST_CHECKS])
    kept = [key for key in sorted(expected, key=lambda key: (-expected[key], key)) if expected[key] >= LEAST * count]
    return [
        (name, told[key].description, _sizes(told[key]), count, round(float(expected[key]), 1), checks, hidden(name))
        for key in kept
    ]


def _recognition(seen: Seen) -> Recognition:
    """A sure answer: which class it is, is another check."""
    answer, varieties = seen
    return Recognition(
        answer=answer,
        probabilities={name: float(name == answer) for name in tables.load().classes},
        prediction_set=(answer,),
        view=retake.INSTALLED,
        varieties={name: Variety(kind, p) for name, kind, p in varieties},
        labels=None,
        model_sha256="",
    )


def _sizes(candidate: Candidate) -> str:
    return "; ".join(f"{_spoken(name)} {value}" for name, value in candidate.dimensions.items())


def _spoken(name: str) -> str:
    """As said: a length's name without its unit's ending, which then follows in brackets."""
    return f"{name.removesuffix('_mm').replace('_', ' ')}{' [mm]' if name.endswith('_mm') else ''}:"
