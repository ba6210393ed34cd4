"""The card as one HTML file, laid out for A4 in the same measures as the PDF; all text from outside is escaped."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from functools import cache
from html import escape

from identify.job_card import qr
from identify.job_card.content import Box, Card, Change, Row, Size, percent
from identify.job_card.plan import (
    BOTTOM,
    CHECKS_WIDTH,
    FIELD_WIDTH,
    GAP,
    PAGE_HEIGHT,
    PAGE_WIDTH,
    PARTS_WIDTH,
    QR_SIDE,
    SIDE,
    TOP,
    Plan,
    first_sentence,
    picture_size,
)
from identify.job_card.tagged import FONTS

_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:"
_STYLE = """
@page { size: A4; margin: 0 }
* { box-sizing: border-box }
body { margin: 0; background: #e7eaed; color: #111820; font: 9pt/1.28 sans, system-ui, sans-serif;
  overflow-wrap: anywhere; -webkit-print-color-adjust: exact; print-color-adjust: exact }
main { width: %(page_width)smm; height: %(page_height)smm; margin: 8mm auto; background: #fff; display: flex;
  flex-direction: column; padding: %(top)smm %(side)smm %(bottom)smm; overflow: hidden }
@media print { body { background: #fff } main { margin: 0 } }
h1, h2, p, ul, figure { margin: 0; padding: 0 }
ul { list-style: none }
h1 { font-size: 22pt; line-height: 1.2; margin: 1mm 0 } h1 span { font-weight: 400; color: #545c64; padding-left: 4mm }
h1.long { font-size: 17pt }
h2 { font-size: 10.5pt; margin-bottom: 1mm; display: flex; justify-content: space-between; align-items: baseline }
h2 small { font-size: 7.8pt; font-weight: 400 }
small, .grey { color: #545c64 } small { font-size: 7pt; display: block }
header { display: flex; justify-content: space-between; gap: %(gap)smm; border-bottom: .6mm solid #111820;
  padding-bottom: 2.5mm; margin-bottom: 4mm }
header figure { flex: none; text-align: right; font-weight: 700 }
header svg { width: %(qr)smm; height: %(qr)smm; display: block; margin: -3mm -3mm -2mm 0 }
.pair { display: flex; gap: %(gap)smm; margin-bottom: 4mm } .pair > :last-child { flex: 1; min-width: 0 }
.picture { flex: none } .picture img { display: block }
table { width: 100%%; border-collapse: collapse } tr, .line { border-top: .2mm solid #d6dbe0 }
tr:first-child { border: 0 } th, td { padding: .9mm 0; text-align: left; font-weight: 400; vertical-align: top }
th { font-size: 8.2pt; color: #545c64 }
td { font-size: 9.5pt; font-weight: 700; text-align: right; white-space: nowrap }
td:nth-child(2) { padding: .9mm 3mm 0 2mm } td:last-child { width: %(field)smm; font-weight: 400 }
td i { display: block; border-bottom: .25mm solid #545c64; margin-left: 4mm; height: 4.1mm }
tr:first-child > * { padding-top: 0; vertical-align: baseline }
tr:first-child td { font-size: 7.8pt; font-weight: 400; color: #545c64 }
tr:first-child th { font-size: 10.5pt; font-weight: 700; color: #111820 }
.line { padding-top: .8mm } .line small { margin-bottom: .6mm }
.rows { margin-bottom: 3mm } .rows li { display: flex; border-top: .2mm solid #d6dbe0; padding: 1mm 0 }
.rows li > b { width: 13mm; text-align: right; font-size: 9.5pt; flex: none } .rows .words { flex: 1; min-width: 0 }
.rows .parts { font-size: 7.8pt; width: %(parts)smm; margin-left: 4mm; flex: none }
.parts div, footer > small { white-space: nowrap; overflow: hidden; text-overflow: ellipsis }
h2 .parts { font-size: 10.5pt; width: %(parts)smm; flex: none } .rows li:first-child .words { font-weight: 700 }
.rows small { font-weight: 400 } .rows li.more { font-size: 7.8pt }
.rows svg { width: 16mm; height: 1.7mm; margin: 1.5mm 4mm 0 3mm; flex: none }
.checks:not(:last-child) { width: %(checks)smm; flex: none }
.checks li { padding-left: 6mm; position: relative; font-size: 8.7pt; margin-bottom: .9mm }
.checks li.more { font-size: 7.8pt }
.checks svg { width: 3.2mm; height: 3.2mm; position: absolute; left: 0; top: .4mm }
.checks span { font-size: 7.8pt; color: #545c64; display: inline-block; margin-right: 4mm }
.checks span svg { position: static; width: 2.5mm; height: 2.5mm; margin-right: 1.4mm; vertical-align: -.3mm }
.change { margin-bottom: 1.6mm } .change b { font-size: 8.7pt }
.care { border-left: 1.2mm solid #111820; padding-left: 2.8mm } .care ul { columns: 2; column-gap: %(gap)smm }
.care li { font-size: 7pt; padding-left: 3mm; position: relative; break-inside: avoid; margin-bottom: .8mm }
.care li::before { content: ""; position: absolute; left: 0; top: 1.1mm; width: .9mm; height: .9mm;
  background: #111820 }
footer { margin-top: auto } .sign { display: flex; gap: 4mm; padding-top: 10mm; margin-bottom: 2.5mm }
.sign div { border-top: .3mm solid #111820; flex: 1; font-size: 7.8pt; color: #545c64; padding-top: .7mm }
.sign div:first-child { flex: 1.6 } .sign div:nth-child(3) { flex: .7 }
"""


def written(card: Card, plan: Plan) -> str:
    """The HTML file."""
    name = f"Job card {card.case_id}".strip()
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=860">'
        f"<title>{escape(name)}</title><style>{_faces()}{_styled()}</style></head><body><main>"
        f"{_head(card)}"
        f'<div class="pair">{_picture(card, plan)}<section>{_sizes(card, plan)}</section></div>'
        f'<section class="rows">{_rows(card, plan)}</section>'
        f'<div class="pair"><section class="checks">{_boxes(card, plan)}</section>{_changes(card, plan)}</div>'
        f"{_cautions(card, plan)}{_foot(card)}</main></body></html>\n"
    )


@cache
def _faces() -> str:
    faces = []
    for file, weight in (("sans-regular.ttf", 400), ("sans-bold.ttf", 700)):
        data = base64.b64encode((FONTS / file).read_bytes()).decode("ascii")
        source = f"url(data:font/ttf;base64,{data}) format('truetype')"
        faces.append(f"@font-face{{font-family:sans;font-weight:{weight};src:{source}}}")
    return "".join(faces)


@cache
def _styled() -> str:
    return _STYLE % {
        "page_width": PAGE_WIDTH,
        "page_height": PAGE_HEIGHT,
        "top": TOP,
        "side": SIDE,
        "bottom": BOTTOM,
        "gap": GAP,
        "qr": QR_SIDE,
        "checks": CHECKS_WIDTH,
        "field": FIELD_WIDTH,
        "parts": PARTS_WIDTH,
    }


def _head(card: Card) -> str:
    share = f"<span>{escape(card.share)}</span>" if card.share else ""
    long = ' class="long"' if len(card.title) > 26 else ""
    return (
        f'<header><div><p class="grey">Job card · {escape(card.made_at)}</p><h1{long}>{escape(card.title)}{share}</h1>'
        f'<p class="grey">{escape(card.beneath)}</p></div>{_qr(card.case_id)}</header>'
    )


def _qr(text: str) -> str:
    if not text:
        return ""
    side, dark = qr.runs(text)
    path = "".join(f"M{x} {y}h{length}v1h-{length}z" for x, y, length in dark)
    return (
        f'<figure><svg viewBox="0 0 {side} {side}" role="img" aria-label="QR code that says {escape(text)}" '
        f'shape-rendering="crispEdges"><path fill="#000" d="{path}"/></svg>{escape(text)}</figure>'
    )


def _picture(card: Card, plan: Plan) -> str:
    if card.overlay_jpeg is None:
        return ""
    data = base64.b64encode(card.overlay_jpeg).decode("ascii")
    width, height = picture_size(card.overlay_hw, plan)
    return (
        f'<figure class="picture"><img style="width:{width:.1f}mm;height:{height:.1f}mm" '
        f'alt="{escape(card.overlay_words)}" '
        f'src="data:image/jpeg;base64,{data}"></figure>'
    )


def _sizes(card: Card, plan: Plan) -> str:
    if not card.sizes:
        return "<h2>Sizes</h2><p>There is nothing to measure.</p>"
    head = "<tr><th>Sizes</th><td>by photo, ± covers 95 %</td><td>by callipers</td></tr>"
    lines = "".join(_size(size) for size in card.sizes)
    reasons = _smalls(card.reasons, plan.reasons) if plan.reasons else ""
    return f'<table>{head}{lines}</table><div class="line">{reasons}</div>'


def _size(size: Size) -> str:
    field = escape(size.callipers) or "<i></i>"
    return f"<tr><th>{escape(size.name)}</th><td>{escape(size.value) or '–'}</td><td>{field}</td></tr>"


def _rows(card: Card, plan: Plan) -> str:
    shown = card.rows[: plan.rows]
    rest = [row.share for row in card.rows[plan.rows :]] + list(card.rest)
    stocked = any(row.parts for row in shown)
    own = '<span class="parts">Own stock</span>' if stocked else ""
    title = f"<h2>Replacement, most likely first{own}</h2>"
    if not card.rows:
        return f"{title}<p>No size is known for this.</p>"
    share = percent(sum(rest))
    more = f'<li class="more grey">and {len(rest)} more, together {escape(share)}</li>' if rest else ""
    return f"{title}<ul>{''.join(_row(row, stocked) for row in shown)}{more}</ul>"


def _row(row: Row, stocked: bool) -> str:
    bar = (
        '<svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
        '<path fill="#d6dbe0" d="M0 0h100v10H0z"/>'
        f'<path fill="#111820" d="M0 0h{max(1.5, 100 * row.share):.1f}v10H0z"/></svg>'
    )
    details = f"<small>{escape(row.details)}</small>" if row.details else ""
    parts = "".join(f"<div>{escape(part)}</div>" for part in row.parts)
    own = f'<div class="parts">{parts}</div>' if stocked else ""
    words = f'<div class="words">{escape(row.words)}{details}</div>'
    return f"<li><b>{escape(percent(row.share))}</b>{bar}{words}{own}</li>"


def _boxes(card: Card, plan: Plan) -> str:
    title = "<h2>Check before ordering</h2>"
    if not card.boxes:
        return f"{title}<p>No check is left that would tell more.</p>"
    rest = len(card.boxes) - plan.boxes
    more = f'<li class="more grey">and {rest} more</li>' if rest > 0 else ""
    return f"{title}<ul>{''.join(_box(box) for box in card.boxes[: plan.boxes])}{more}</ul>"


def _box(box: Box) -> str:
    if box.answer:
        return f"<li>{_square('done')}<b>{escape(box.question)} {escape(box.answer)}</b></li>"
    options = "".join(f"<span>{_square('')}{escape(option)}</span>" for option in box.options)
    return f"<li>{_square('open')}{escape(box.question)}{f'<div>{options}</div>' if options else ''}</li>"


def _square(state: str) -> str:
    tick = '<path d="M2 5.2 4.2 7.6 8.4 2" stroke-width="1.7"/>' if state == "done" else ""
    label = f'role="img" aria-label="{state}"' if state else 'aria-hidden="true"'
    return f'<svg viewBox="0 0 10 10" {label} fill="none" stroke="#111820"><path d="M.5.5h9v9h-9z"/>{tick}</svg>'


def _changes(card: Card, plan: Plan) -> str:
    if not card.changes:
        return ""
    rest = len(card.changes) - plan.changes
    more = f"<small>and {rest} more</small>" if rest > 0 else ""
    told = "".join(_change(each) for each in card.changes[: plan.changes])
    return f"<section><h2>Another head in this body?</h2>{told}{more}</section>"


def _change(change: Change) -> str:
    reasons = _smalls(change.reasons, 2, " to look at")
    return f'<div class="change"><b>{escape(change.to)}: {escape(change.verdict)}</b>{reasons}</div>'


def _cautions(card: Card, plan: Plan) -> str:
    if not card.cautions:
        return ""
    texts = [text if plan.whole_cautions else first_sentence(text) for text in card.cautions]
    items = "".join(f"<li>{escape(text)}</li>" for text in texts)
    return f'<section class="care"><h2>Take care</h2><ul>{items}</ul></section>'


def _foot(card: Card) -> str:
    fields = "".join(f"<div>{name}</div>" for name in ("Handed out", "Name", "Date", "Signature"))
    return f'<footer><div class="sign">{fields}</div><small>{escape(card.origin)}</small></footer>'


def _smalls(lines: Iterable[str], most: int, what: str = "") -> str:
    every = list(lines)
    more = [f"and {len(every) - most} more{what}"] if len(every) > most else []
    return "".join(f"<small>{escape(line)}</small>" for line in [*every[:most], *more])
