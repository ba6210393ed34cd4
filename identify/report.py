"""The answer as JSON (the contract of ``case.schema.json``), as plain text, and the budgets behind its figures."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

from identify import tables
from identify.model import (
    UNSURE,
    Candidate,
    Case,
    Check,
    Conversion,
    FailedPhoto,
    Measurement,
    PhotoFacts,
    Recognition,
    Reference,
    StockOffer,
    Verdict,
)

WIDTH = 88
SURE = 0.995
SHOWN_OFFERS = 3
SHOWN, LEAST_SHOWN, FULL_CHECKS = 8, 0.01, 3  # rows and checks; least probability of a row; checks told in full

Json = dict[str, Any]


def as_json(case: Case, *, budget: bool = False) -> Json:
    """The case as plain JSON values: the same case gives the same text.

    Parameters
    ----------
    budget : give each measurement the parts of its uncertainty too.
    """
    return {
        "schema": 1,
        "photos": [_photo(facts) for facts in case.photos],
        "class": _class(case.recognition),
        "reference": _reference(case),
        "measurements": [_measurement(found, budget) for found in case.measurements],
        "not_measured": [
            {"quantity": miss.quantity, "reason": miss.reason, "advice": miss.advice} for miss in case.not_measured
        ],
        "candidates": _candidates(case.verdict.candidates),
        "checks": [
            {
                "question": check.question,
                "how": check.how,
                "why": check.why,
                "gain_bits": round(check.gain_bits, 3),
                "effort": check.effort,
            }
            for check in case.verdict.checks
        ],
        "conversions": [
            {"to": each.to, "verdict": each.verdict, "reasons": list(each.reasons)} for each in case.verdict.conversions
        ],
        "cautions": [{"text": caution.text, "source": caution.source} for caution in case.verdict.cautions],
        "model": {"sha256": case.recognition.model_sha256, "tables_version": case.tables_version},
    }


def failed_json(failed: FailedPhoto) -> Json:
    """A photo that could not be read."""
    return {"photos": [{"file": failed.file}], "error": failed.error}


def _photo(facts: PhotoFacts) -> Json:
    return {
        "file": facts.file,
        "sha256": facts.sha256,
        "width_px": facts.width_px,
        "height_px": facts.height_px,
        "focal35_mm": facts.focal35_mm,
    }


def _class(recognition: Recognition) -> Json:
    names = sorted(recognition.probabilities, key=lambda name: (-recognition.probabilities[name], name))
    shares = _shares([recognition.probabilities[name] for name in names])
    return {
        "answer": recognition.answer,
        "probabilities": dict(zip(names, shares, strict=True)),
        "set": list(recognition.prediction_set),
        "view": recognition.view,
        "variety": {
            name: {"answer": found.answer, "probability": round(found.probability, 4)}
            for name, found in sorted(recognition.varieties.items())
        },
    }


def _reference(case: Case) -> Json | None:
    if case.reference is None or case.plane is None:
        return None
    return {
        "kind": case.reference.kind,
        "id": case.reference.id,
        "tilt_deg": round(case.plane.tilt_deg, 1),
        "distance_mm": round(case.plane.distance_mm, 1),
    }


def _measurement(found: Measurement, budget: bool) -> Json:
    mm = "_mm" if found.unit == "mm" else ""
    told: Json = {
        "quantity": found.quantity,
        f"value{mm}": round(found.value, 3),
        f"u95{mm}": round(found.u95, 3),
        "method": found.method,
    }
    if budget:
        told["budget"] = [{"name": line.name, f"u{mm}": round(line.u, 5)} for line in found.budget]
    return told


def _candidates(candidates: Iterable[Candidate]) -> list[Json]:
    ranked = sorted(candidates, key=lambda row: (-row.probability, row.id))
    shares = _shares([row.probability for row in ranked])
    return [
        {
            "id": row.id,
            "description": row.description,
            "probability": share,
            "dimensions": dict(row.dimensions),
            "because": list(row.because),
            "sources": list(row.sources),
            **({} if row.stock is None else {"stock": [_offer(each) for each in row.stock]}),
        }
        for row, share in zip(ranked, shares, strict=True)
    ]


def _offer(offer: StockOffer) -> Json:
    return {
        "part_number": offer.part_number,
        "description": offer.description,
        "quantity": offer.quantity,
        "price": offer.price,
        "probability": round(offer.probability, 4),
    }


def _shares(probabilities: list[float], digits: int = 4) -> list[float]:
    """Probabilities rounded so that their sum is kept (the largest remainders get what rounding leaves over)."""
    units = [probability * 10**digits for probability in probabilities]
    whole = [math.floor(unit) for unit in units]
    left = round(sum(units)) - sum(whole)
    by_remainder = sorted(range(len(units)), key=lambda at: (whole[at] - units[at], at))
    for at in by_remainder[:left]:
        whole[at] += 1
    return [count / 10**digits for count in whole]


def as_text(case: Case) -> str:
    """The case for a person at a terminal, at most ``WIDTH`` columns wide."""
    verdict = case.verdict
    blocks = [
        _heading(case),
        _measured(case),
        _items("Not measured", _missing(case)),
        _candidate_lines(verdict),
        _check_lines(verdict.checks),
        _items("Easily confused", [f"{pair.text} {pair.question}" for pair in verdict.pairs]),
        _items("Other heads in the same body", [_conversion(each) for each in verdict.conversions]),
        _items("Take care", [caution.text for caution in verdict.cautions]),
        _items("About the photo", [f"{remark.text} {remark.advice}" for remark in case.remarks]),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _heading(case: Case) -> list[str]:
    recognition = case.recognition
    names = [facts.file for facts in case.photos]
    files = ", ".join(name if name.isprintable() else ascii(name) for name in names)
    lines = [files, "─" * min(WIDTH, max(len(files), 24))]
    ranked = sorted(recognition.probabilities.items(), key=lambda pair: (-pair[1], pair[0]))
    if recognition.answer == UNSURE:
        lines += [_sides("Not sure what this is", "")]
        possible = [f"{_class_name(name)} {_percent(share)}" for name, share in ranked[:3]]
        lines += _wrapped("It may be: " + "; ".join(possible) + ".", "  ")
    else:
        share = recognition.probabilities.get(recognition.answer, 0.0)
        lines += [_sides(_class_name(recognition.answer), _percent(share))]
        others = [_class_name(name) for name in recognition.possible if name != recognition.answer]
        if others:
            lines += _wrapped("Not ruled out: " + "; ".join(others) + ".", "  ")
    about = [recognition.view] if recognition.view else []
    about += [
        f"{name.replace('_', ' ')}: {found.answer} ({_percent(found.probability)})"
        for name, found in sorted(recognition.varieties.items())
    ]
    return lines + _wrapped(" · ".join(about), "  ") + _wrapped(_scale_words(case), "  ")


def _scale_words(case: Case) -> str:
    if case.reference is None or case.plane is None:
        return "No scale used, so nothing is measured."
    reference, plane = case.reference, case.plane
    name = _reference_name(reference)
    where = " lying on the part" if reference.on_part else ""
    return f"Scale: {name}{where}, camera {plane.distance_mm:.0f} mm away, tilted {plane.tilt_deg:.0f}°."


def _measured(case: Case) -> list[str]:
    if not case.measurements:
        return []
    lines = [_sides("Measured", "± is the expanded uncertainty (95 %)")]
    names = [found.quantity.replace("_", " ") for found in case.measurements]
    column = max(map(len, names))
    values = max(len(str(found)) for found in case.measurements)
    for name, found in zip(names, case.measurements, strict=True):
        start = f"  {name:<{column}}   {found!s:>{values}}   "
        lines += _wrapped(found.method, start, " " * len(start))
    return lines


def _missing(case: Case) -> list[str]:
    """One item for quantities that lack for the same reason."""
    grouped: dict[tuple[str, str], list[str]] = {}
    for miss in case.not_measured:
        grouped.setdefault((miss.reason, miss.advice), []).append(miss.quantity.replace("_", " "))
    return [f"{', '.join(names)}: {reason} {advice}" for (reason, advice), names in grouped.items()]


def _candidate_lines(verdict: Verdict) -> list[str]:
    ranked = sorted(verdict.candidates, key=lambda each: (-each.probability, each.id))
    if not ranked:
        return []
    shown = [row for row in ranked if row.probability >= LEAST_SHOWN][:SHOWN] or ranked[:1]
    lines = ["Replacement, most likely first"]
    for row in shown:
        lines += _wrapped(f"{row.description} [{row.id}]", f"  {_percent(row.probability):>6}  ", " " * 10)
        lines += _offer_lines(row)
    rest = [row for row in ranked if row not in shown]
    if rest:
        lines.append(f"  {_percent(sum(row.probability for row in rest)):>6}  {len(rest)} more, each less likely")
    return lines + _wrapped(verdict.remark, "  ")


def _offer_lines(row: Candidate) -> list[str]:
    """The first parts of the shop for a candidate, each with what is left of it."""
    lines = []
    offers = [offer for offer in row.stock or () if offer.probability >= LEAST_SHOWN]
    for offer in offers[:SHOWN_OFFERS]:
        pieces = {None: "number not stated", 0: "none left", 1: "1 piece"}.get(
            offer.quantity, f"{offer.quantity} pieces"
        )
        text = f"{_percent(offer.probability):>6}  own stock: {offer.part_number}, {pieces}: {offer.description}"
        lines += _wrapped(text, " " * 10, " " * 18)
    if len(offers) > SHOWN_OFFERS:
        lines.append(f"{'':18}and {len(offers) - SHOWN_OFFERS} more of the shop's rows")
    return lines


def _check_lines(checks: Sequence[Check]) -> list[str]:
    """The first checks in full with the way to answer them, the others as questions."""
    lines: list[str] = []
    for number, check in enumerate(checks[:SHOWN], start=1):
        start = f"  {number}. "
        indent = " " * len(start)
        if number > FULL_CHECKS:
            lines += _wrapped(check.question, start, indent)
            continue
        lines += _wrapped(f"{check.question} {check.how}", start, indent)
        lines += _wrapped(f"{check.why} (about {check.effort:g}\N{NO-BREAK SPACE}min)", indent)
        if check.id:
            answers = " | ".join(check.answers) or "a number"
            lines += _wrapped(f"--answer {check.id}=…  {answers}", indent)
    if len(checks) > SHOWN:
        lines.append(f"  and {len(checks) - SHOWN} more, which tell less")
    return ["Check before ordering, the most telling first", *lines] if lines else []


def _conversion(each: Conversion) -> str:
    return f"{_class_name(each.to)}: {each.verdict}. {' '.join(each.reasons)}"


def budget_text(case: Case) -> str:
    """Where each figure's uncertainty comes from (JCGM 100: standard uncertainties, added in quadrature).

    The coverage factor k is 2 but where two poses make the distribution two-humped (JCGM 101).
    """
    blocks = []
    for found in case.measurements:
        unit = " mm" if found.unit == "mm" else ""
        lines = [_sides(found.quantity.replace("_", " "), str(found)), *_wrapped(found.method, "  ")]
        whole = sum(line.u**2 for line in found.budget)
        for line in sorted(found.budget, key=lambda each: (-each.u, each.name)):
            share = line.u**2 / whole if whole > 0 else 0.0
            lines.append(f"    {line.name:<34} u = {line.u:8.4f}{unit}   {share:6.1%}")
        if whole > 0:
            u = math.sqrt(whole)
            expanded = f"u95 = {found.u95:.4f}{unit} (k = {found.u95 / u:.2f})"
            lines.append(f"    {'all together':<34} u = {u:8.4f}{unit}   {expanded}")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n" if blocks else "Nothing was measured, so there is no budget.\n"


def _class_name(name: str) -> str:
    row = tables.load().classes.get(name)
    return row.name if row is not None else name.replace("-", " ")


def _reference_name(reference: Reference) -> str:
    return tables.load().reference(reference.id).name


def _percent(share: float) -> str:
    return ("> 99 %" if share > SURE else f"{share * 100:.0f} %").replace(" ", "\N{NO-BREAK SPACE}")


def _sides(left: str, right: str) -> str:
    return f"{left}{right:>{max(len(right) + 2, WIDTH - len(left))}}".rstrip()


def _items(title: str, items: Iterable[str]) -> list[str]:
    lines = [line for item in items for line in _wrapped(item, "  - ", "    ")]
    return [title, *lines] if lines else []


def _wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    indent = first if rest is None else rest
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)
