"""The answer as the page shows it: plain values for the templates, in the words of the trade."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import jinja2

from identify import tables
from identify.job import Job
from identify.model import UNSURE, Candidate, Case, Check, Measurement
from identify.retake import next_photo
from identify.rules import contrast, faults, told
from identify.rules.evidence import CANT_TELL
from identify.web import gallery

FOLDER = Path(__file__).parent
SHOWN, LEAST_SHOWN, SHOWN_OFFERS, SHOWN_CLASSES, SHOWN_CHECKS = 6, 0.01, 3, 4, 6
CLEAR = 0.7  # a second answer below this is not worth a word
VERDICTS = {"fits": "yes", "does not fit": "no", "check first": "ask"}


@cache
def environment() -> jinja2.Environment:
    """The templates; whatever is put into them is escaped."""
    loader = jinja2.FileSystemLoader(FOLDER / "templates")
    return jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, auto_reload=False)


def ready() -> None:
    """Read all templates now, not while the first user waits."""
    for name in environment().list_templates():
        environment().get_template(name)


def render(template: str, **values: Any) -> str:
    """A template filled in; ``turn`` makes every rendering another one, so that the page sees that it came."""
    return environment().get_template(template).render(turn=secrets.token_hex(4), **values)


def verdict(job: Job, *, fresh: bool) -> str:
    """What the part is. ``fresh``: a new answer, which takes the focus."""
    seen = job.case.recognition
    unsure = seen.answer == UNSURE
    part = not unsure and tables.load().fitting(seen.answer).part
    ranked = sorted(seen.probabilities.items(), key=lambda pair: (-pair[1], pair[0]))
    others = [class_name(name) for name in seen.possible if name != seen.answer]
    varieties = [
        f"{words(name)} {found.answer} ({percent(found.probability)})"
        for name, found in sorted(seen.varieties.items())
        if found.probability >= CLEAR and part
    ]
    return render(
        "verdict.html",
        fresh=fresh,
        failed=job.failed,
        over="Not sure" if unsure else "This is most likely" if part else "Nothing to identify",
        title="Not sure what this is" if unsure else class_name(seen.answer),
        share="" if unsure or not part else percent(seen.probabilities.get(seen.answer, 0.0)),
        classes=[_bar(name, share) for name, share in ranked[:SHOWN_CLASSES] if share >= LEAST_SHOWN],
        others="" if unsure else ", ".join(others),
        varieties=", ".join(varieties),
        **_next(job.case),
    )


def _bar(name: str, share: float) -> dict[str, Any]:
    return {"name": class_name(name), "share": round(share, 4), "percent": percent(share)}


def _next(case: Case) -> dict[str, Any]:
    """The next photo; urgent where the class is open or nothing was measured."""
    photo = next_photo(case)
    urgent = case.recognition.answer == UNSURE or not case.measurements
    return {"next_photo": photo, "urgent": urgent}


def picture(job: Job, key: str) -> str:
    """The measured picture."""
    return render("picture.html", picture=f"/jobs/{key}/measured.jpg", picture_alt=_in_words(job.case))


def sizes(job: Job) -> str:
    """What was measured, and what was not."""
    case = job.case
    grouped: dict[tuple[str, str], list[str]] = {}
    for miss in case.not_measured:
        grouped.setdefault((miss.reason, miss.advice), []).append(words(miss.quantity))
    return render(
        "sizes.html",
        sizes=[_size(each) for each in case.measurements],
        scale=_scale(case),
        missing=[
            {"names": sentence(", ".join(names)), "reason": why, "advice": do} for (why, do), names in grouped.items()
        ],
        remarks=case.remarks,
        **_next(case),
    )


def _in_words(case: Case) -> str:
    sizes = "; ".join(f"{words(each.quantity)} {each}" for each in case.measurements)
    return f"Your photo with what was found drawn on it. {sizes}" if sizes else "Your photo; nothing was measured."


def _size(found: Measurement) -> dict[str, Any]:
    value, _, u95 = str(found).removesuffix(" mm").partition(" ± ")
    name = sentence(words(found.quantity))
    return {"name": name, "value": value, "u95": u95, "mm": found.unit == "mm", "method": sentence(found.method)}


def _scale(case: Case) -> str:
    if case.reference is None or case.plane is None:
        return "No scale was found, so nothing is measured."
    name = tables.load().reference(case.reference.id).name
    where = " lying on the part" if case.reference.on_part else ""
    return f"Scale: {name}{where}. Camera {case.plane.distance_mm:.0f} mm away, tilted {case.plane.tilt_deg:.0f}°."


def ranking(job: Job, key: str, *, focus: bool = False, alert: str = "") -> str:
    """The next check, what was answered, and the candidates. ``focus``: the next check takes it."""
    found = job.case.verdict
    shown = [each for each in found.candidates if each.probability >= LEAST_SHOWN][:SHOWN] or list(found.candidates[:1])
    rest = [each for each in found.candidates if each not in shown]
    asked = [each for each in found.checks if each.id]
    asking = found.decision in ("ask", "compare", "order") and bool(asked)
    return render(
        "ranking.html",
        job=key,
        alert=alert,
        focus_check=focus,
        unknown=CANT_TELL,
        decision=_decision(job, asked[0] if asking else None),
        answers=[_answered(name, answer) for name, answer in job.answers.items()],
        candidates=[_candidate(each) for each in shown],
        spoken=f"Now first: {shown[0].description}, {percent(shown[0].probability)}." if shown else "",
        rest=f"{len(rest)} more, together {percent(sum(each.probability for each in rest))}." if rest else "",
        pairs=found.pairs,
        other_checks=[_check(each) for each in asked[1 if asking else 0 : SHOWN_CHECKS]],
    )


def _decision(job: Job, check: Check | None) -> dict[str, Any]:
    found = job.case.verdict
    asked = {"kind": found.decision, "check": _check(check) if check else None}
    if found.decision == "ask" and check:
        return {**asked, "over": f"Check {len(job.answers) + 1}", "title": check.question, "text": ""}
    titles = {"order": "Ready to order", "wait": "Do not order yet", "compare": "Compare the old part"}
    title = titles.get(found.decision, "Nothing to check")
    if check:  # what belongs before any order, or may still tell a little
        return {**asked, "over": title, "title": check.question, "text": found.remark}
    return {**asked, "over": "", "title": title, "text": found.remark}


def _check(check: Check) -> dict[str, Any]:
    return {
        "id": check.id,
        "question": check.question,
        "how": check.how,
        "why": check.why,
        "answers": check.answers,
        "minutes": f"{check.effort:g}",
    }


def _answered(name: str, answer: str) -> dict[str, str]:
    row = tables.load().checks[name.partition(":")[0]]
    said = "can’t tell" if answer == CANT_TELL else answer
    return {"id": name, "question": row.question, "answer": said}


def _candidate(row: Candidate) -> dict[str, Any]:
    offers = None if row.stock is None else [each for each in row.stock if each.probability >= LEAST_SHOWN]
    pieces = {None: "number not stated", 0: "none left", 1: "1 piece"}
    return {
        "id": row.id,
        "description": row.description,
        "share": round(row.probability, 4),
        "percent": percent(row.probability),
        "dimensions": [
            (sentence(words(name.removesuffix("_mm"))), _told(name, v)) for name, v in row.dimensions.items()
        ],
        "because": row.because,
        "sources": row.sources,
        "offers": offers
        and [
            {
                "part_number": each.part_number,
                "description": each.description,
                "quantity": each.quantity,
                "pieces": pieces.get(each.quantity, f"{each.quantity} pieces"),
            }
            for each in offers[:SHOWN_OFFERS]
        ],
    }


def _told(name: str, value: float | str) -> str:
    return f"{value:g} mm" if isinstance(value, float) and name.endswith("_mm") else str(value)


def more(job: Job) -> str:
    """Pictures to compare with, cautions, conversions and faults."""
    case = job.case
    return render(
        "more.html",
        compare=_compare(case),
        cautions=case.verdict.cautions,
        conversions=[
            {
                "to": class_name(each.to),
                "verdict": each.verdict,
                "kind": VERDICTS.get(each.verdict, "ask"),
                "reasons": each.reasons,
            }
            for each in case.verdict.conversions
        ],
        faults=_faults(job),
    )


def _compare(case: Case) -> dict[str, Any] | None:
    """The best class, the runner-up, and what tells them apart."""
    parts = {name: p for name, p in case.recognition.probabilities.items() if tables.load().fitting(name).part}
    best = sorted(parts, key=lambda name: (-parts[name], name))[:2]
    pictures = [
        {
            "src": f"/pictures/{file}",
            "name": class_name(name),
            "alt": f"Drawn example: {class_name(name)}",
            "note": note,
        }
        for name, note in zip(best, ("Most likely", "Runner-up"), strict=False)
        if (file := gallery.picture(name, case.recognition.view))
    ]
    if len(pictures) < 2:
        return None
    return {"pictures": pictures, "contrasts": contrast.contrasts(best[0], best[1])}


def _faults(job: Job) -> list[Any]:
    seen, known = job.case.recognition, tables.load()
    parts = [name for name in seen.taken_as if known.fitting(name).part]
    if not parts:
        return []
    sure = told.told(job.answers, known, seen)
    return [faults.diagnose(row, parts, sure, known) for row in faults.symptoms(parts, known)]


def wrap_up(job: Job, key: str, *, confirm: bool, confirmed: str = "", alert: str = "", case_id: str = "") -> str:
    """The job card, and what was handed out."""
    return render(
        "wrap_up.html",
        job=key,
        card=f"/jobs/{key}/job-card",
        case_id=case_id,
        confirm=_confirm(job.case) if confirm else None,
        confirmed=confirmed,
        alert=alert,
    )


def _confirm(case: Case) -> Mapping[str, Any]:
    own, listed = [], []
    for row in case.verdict.candidates[:SHOWN]:
        own += [
            {"value": each.part_number, "words": f"{each.part_number} {each.description}"}
            for each in (row.stock or ())[:SHOWN_OFFERS]
            if each.probability >= LEAST_SHOWN
        ]
        if row.id != "other":
            listed.append({"value": row.id, "words": row.description})
    known = tables.load().classes
    best = max(case.recognition.probabilities, key=lambda name: case.recognition.probabilities[name])
    return {
        "parts": {name: rows for name, rows in (("Your stock", own), ("Listed sizes", listed)) if rows},
        "classes": [
            {"value": name, "words": row.name, "chosen": name == best} for name, row in known.items() if row.part
        ],
        "sizes": [
            {"name": sentence(words(each.quantity)), "quantity": each.quantity, "value": f"{each.value:.1f}"}
            for each in case.measurements
            if each.unit == "mm"
        ],
    }


def class_name(name: str) -> str:
    """A class as people call it."""
    row = tables.load().classes.get(name)
    return row.name if row is not None else words(name)


def words(name: str) -> str:
    """An id as words."""
    return name.replace("_", " ").replace("-", " ")


def sentence(text: str) -> str:
    """The text with a capital at its beginning."""
    return text[:1].upper() + text[1:]


def percent(share: float) -> str:
    """A share in per cent that never promises all and never denies all."""
    shown = "> 99 %" if share > 0.995 else "< 1 %" if share < 0.005 else f"{share * 100:.0f} %"
    return shown.replace(" ", "\N{NO-BREAK SPACE}")
