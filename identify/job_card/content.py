"""What stands on a job card, in words, before it is laid out."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from PIL import Image, ImageOps

from identify import tables
from identify.errors import UsageError
from identify.model import UNSURE, Measurement

SURE, LEAST_SHOWN, OTHER = 0.995, 0.01, "other"
SHOWN_OFFERS, SHOWN_SIZES, MOST_OPTIONS, MOST_READING = 3, 3, 4, 8
MOST_PICTURE_PX = 1600
LONG, SHORT, PART_LETTERS = 110, 70, 24  # letters after which a description, a name, a part number is cut


@dataclass(frozen=True, slots=True)
class Size:
    """One quantity: its name, the photo's value with its ± (empty where there is none), what callipers read."""

    name: str
    value: str
    callipers: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One candidate; ``details`` are its sizes, ``parts`` the shop's own of it, a line each."""

    share: float
    words: str
    details: str
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Box:
    """One check; ``answer`` is empty where it is open, and then ``options`` are what may be ticked."""

    question: str
    answer: str
    options: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Change:
    """Whether another head fits the body."""

    to: str
    verdict: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Card:
    """Everything of a card; ``reasons`` say why sizes are missing, ``rest`` are the rows that hold less than 1 %."""

    title: str
    share: str
    beneath: str
    case_id: str
    made_at: str
    overlay_jpeg: bytes | None
    overlay_hw: tuple[int, int]
    overlay_words: str
    sizes: tuple[Size, ...]
    reasons: tuple[str, ...]
    rows: tuple[Row, ...]
    rest: tuple[float, ...]
    boxes: tuple[Box, ...]
    changes: tuple[Change, ...]
    cautions: tuple[str, ...]
    origin: str


def card(
    case_json: Mapping[str, Any],
    overlay_jpeg: bytes | None,
    *,
    case_id: str,
    answers: Mapping[str, str],
    made_at: datetime | str | None,
) -> Card:
    """The words of a case's card.

    Raises
    ------
    UsageError
        The case is of a photo that failed, or the picture is no JPEG.
    """
    if "error" in case_json:
        raise UsageError(f"A photo that failed has no job card ({case_json['error']}); take it again.")
    title, share, beneath = _heading(case_json)
    sizes = _sizes(case_json, answers)
    picture, picture_hw = _picture(overlay_jpeg)
    said = ", ".join(f"{size.name} {size.value}" for size in sizes if size.value)
    rows = [row for row in case_json["candidates"] if row["id"] != OTHER]
    shown = [row for row in rows if row["probability"] >= LEAST_SHOWN] or rows[:1]
    return Card(
        title=title,
        share=share,
        beneath=beneath,
        case_id=cut(case_id, PART_LETTERS * 2),
        made_at=_time(made_at),
        overlay_jpeg=picture,
        overlay_hw=picture_hw,
        overlay_words=f"Photo with the answer drawn on it: {title}{'; ' if said else ''}{said}.",
        sizes=sizes,
        reasons=_reasons(case_json["not_measured"]),
        rows=tuple(_row(row) for row in shown),
        rest=tuple(row["probability"] for row in rows if row not in shown),
        boxes=_boxes(case_json["checks"], answers),
        changes=tuple(
            Change(
                cut(_class_name(each["to"]), SHORT), each["verdict"], tuple(cut(why, LONG) for why in each["reasons"])
            )
            for each in case_json["conversions"]
        ),
        cautions=tuple(dict.fromkeys(caution["text"] for caution in case_json["cautions"])),
        origin=_origin(case_json),
    )


def cut(text: str, most: int) -> str:
    """One line of at most ``most`` letters, control letters left out."""
    plain = text.encode("utf-8", "replace").decode("utf-8")
    line = " ".join("".join(letter if letter.isprintable() else " " for letter in plain).split())
    return line if len(line) <= most else f"{line[: most - 1].rstrip()}…"


def capital(text: str) -> str:
    """The text with a capital letter first."""
    return text[:1].upper() + text[1:]


def percent(share: float) -> str:
    """A probability as a whole percentage, never 100."""
    told = "> 99 %" if share > SURE else "< 1 %" if share < LEAST_SHOWN else f"{share * 100:.0f} %"
    return told.replace(" ", "\N{NO-BREAK SPACE}")


def _heading(case: Mapping[str, Any]) -> tuple[str, str, str]:
    told = case["class"]
    shares = told["probabilities"]
    about = []
    if told["answer"] == UNSURE:
        ranked = sorted(shares, key=lambda name: (-shares[name], name))[:3]
        title, share = "Not sure what this is", ""
        about.append("It may be: " + "; ".join(f"{_class_name(name)} {percent(shares[name])}" for name in ranked))
    else:
        title, share = _class_name(told["answer"]), percent(shares.get(told["answer"], 0.0))
        others = [name for name in told["set"] if name != told["answer"]]
        if others:
            named = "; ".join(f"{_class_name(name)} {percent(shares.get(name, 0.0))}" for name in others)
            about.append(f"Not ruled out: {named}")
    about.append(_scale(case["reference"]))
    return title, share, cut(" · ".join(about), LONG * 2)


def _scale(reference: Mapping[str, Any] | None) -> str:
    if reference is None:
        return "No scale in the photo, so nothing is measured"
    name = tables.load().reference(reference["id"]).name
    away = reference["distance_mm"]
    return f"Measured by: {name}" + (f", camera {away:.0f} mm away" if away else "")


def _quantity(name: str) -> str:
    row = tables.load().quantities.get(name)
    return row.name if row is not None else name.replace("_", " ")


def _value(found: Mapping[str, Any]) -> str:
    unit = "mm" if "value_mm" in found else "1"
    value, u95 = (found.get(f"{key}_mm", found.get(key)) for key in ("value", "u95"))
    return str(Measurement(found["quantity"], value, u95, unit, found["method"]))


def _sizes(case: Mapping[str, Any], answers: Mapping[str, str]) -> tuple[Size, ...]:
    """Measured quantities, then those that callipers have to give."""
    known = tables.load().checks
    read = {}
    for name, said in answers.items():
        check = known.get(name)
        if check is not None and check.kind == "number":
            read[check.decides] = cut(said, MOST_READING)
    values = {found["quantity"]: _value(found) for found in case["measurements"]}
    wanted = [*values, *(miss["quantity"] for miss in case["not_measured"])]
    return tuple(
        Size(capital(_quantity(name)), values.get(name, ""), read.get(name, "")) for name in dict.fromkeys(wanted)
    )


def _reasons(missed: Sequence[Mapping[str, str]]) -> tuple[str, ...]:
    grouped: dict[str, list[str]] = {}
    for miss in missed:
        grouped.setdefault(miss["reason"], []).append(_quantity(miss["quantity"]))
    every = len(grouped) == 1 and len(missed) > 1
    return tuple(
        cut(reason if every else f"{capital(', '.join(names))}: {reason}", LONG * 2)
        for reason, names in grouped.items()
    )


def _row(row: Mapping[str, Any]) -> Row:
    sizes = []
    for name, value in row["dimensions"].items():
        if name.endswith("_mm") and isinstance(value, int | float):
            sizes.append(f"{_quantity(name.removesuffix('_mm'))} {value:g} mm")
    offers = [offer for offer in row.get("stock", []) if offer["probability"] >= LEAST_SHOWN]
    parts = [f"{cut(each['part_number'], PART_LETTERS)} · {_pieces(each['quantity'])}" for each in offers]
    if len(parts) > SHOWN_OFFERS:
        parts = [*parts[: SHOWN_OFFERS - 1], f"and {len(parts) - SHOWN_OFFERS + 1} more"]
    return Row(row["probability"], cut(row["description"], LONG), " · ".join(sizes[:SHOWN_SIZES]), tuple(parts))


def _pieces(quantity: int | None) -> str:
    return "number not given" if quantity is None else "none left" if quantity == 0 else f"{quantity} in stock"


def _boxes(checks: Sequence[Mapping[str, Any]], answers: Mapping[str, str]) -> tuple[Box, ...]:
    """Answered checks first, then the open ones in the order of the case."""
    known = tables.load().checks
    done = []
    for name, said in answers.items():
        row = known.get(name.partition(":")[0])
        unit = " mm" if row is not None and row.kind == "number" and said.strip()[-1:].isdigit() else ""
        done.append(Box(cut(row.question if row is not None else name, LONG), cut(f"{said}{unit}", SHORT)))
    by_question = {row.question: row for row in known.values()}
    answered = {box.question for box in done}
    still = []
    for check in checks:
        asked = by_question.get(check["question"])
        options = tuple(asked.answers) if asked is not None and len(asked.answers) <= MOST_OPTIONS else ()
        box = Box(cut(check["question"], LONG), "", options)
        if box.question not in answered:
            still.append(box)
    return (*done, *still)


def _origin(case: Mapping[str, Any]) -> str:
    files = [cut(photo["file"].replace("\\", "/").rpartition("/")[2], SHORT) for photo in case["photos"]]
    named = files[0] + (f" and {len(files) - 1} more" if len(files) > 1 else "")
    model = case["model"]
    return f"Model {model['sha256'][:8]} · tables {cut(model['tables_version'], 12)} · photo {named}"


def _class_name(name: str) -> str:
    row = tables.load().classes.get(name)
    return row.name if row is not None else name.replace("-", " ")


def _picture(overlay_jpeg: bytes | None) -> tuple[bytes | None, tuple[int, int]]:
    """The picture coded anew, so that nothing but its pixels gets onto the card, and its height and width [px]."""
    if overlay_jpeg is None:
        return None, (3, 4)
    try:
        with Image.open(io.BytesIO(overlay_jpeg), formats=["JPEG"]) as image:
            image.draft("RGB", (MOST_PICTURE_PX, MOST_PICTURE_PX))
            upright = ImageOps.exif_transpose(image).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as why:
        raise UsageError("The card's picture is no JPEG; give the drawn picture as a JPEG, or none.") from why
    upright.info.clear()
    upright.thumbnail((MOST_PICTURE_PX, MOST_PICTURE_PX))
    out = io.BytesIO()
    upright.save(out, "JPEG", quality=90)
    return out.getvalue(), (upright.height, upright.width)


def _time(made_at: datetime | str | None) -> str:
    when = datetime.now(UTC) if made_at is None else made_at
    if isinstance(when, str):
        when = datetime.fromisoformat(when)
    local = when.astimezone() if when.tzinfo is not None else when
    return f"{local.day} {local:%B %Y, %H:%M}"
