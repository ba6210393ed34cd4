"""The card as a tagged PDF: one A4 page, black and grey only, so that any printer does."""

from __future__ import annotations

import io
from dataclasses import replace

from identify.job_card import qr
from identify.job_card.content import Box, Card, Change, Row, percent
from identify.job_card.plan import (
    BOTTOM,
    CHECKS_WIDTH,
    FIELD_WIDTH,
    GAP,
    MOST_PICTURE,
    PAGE_HEIGHT,
    PARTS_WIDTH,
    PLANS,
    QR_SIDE,
    SIDE,
    TOP,
    WIDTH,
    Plan,
    first_sentence,
    picture_size,
)
from identify.job_card.tagged import GREY, INK, LIGHT, TaggedPage

HEADING, BODY, SMALL, TINY = 10.5, 9.0, 7.8, 7.0
SIGN_HEIGHT = 22.0
FLOOR = PAGE_HEIGHT - BOTTOM - SIGN_HEIGHT
BOX_SIDE = 3.2


def fitting(card: Card) -> Plan:
    """The roomiest plan with which the card stays on its page, its picture as high as what is left over allows."""
    with TaggedPage(card.title) as pdf:
        for plan in PLANS:
            spare = FLOOR - _flow(pdf, card, plan)
            if spare >= 0:
                break
        return _filled(pdf, card, replace(plan, picture_mm=min(plan.picture_mm + max(0.0, spare), MOST_PICTURE)))


def _filled(pdf: TaggedPage, card: Card, plan: Plan) -> Plan:
    """The plan with as many more checks as stand beside what is said of other heads."""
    room = _changes(pdf, card, plan, 0.0)
    while plan.boxes < len(card.boxes):
        more = replace(plan, boxes=plan.boxes + 1)
        if _boxes(pdf, card, more, 0.0) > room:
            break
        plan = more
    return plan


def printed(card: Card, plan: Plan) -> bytes:
    """The PDF file."""
    with TaggedPage(f"Job card {card.case_id}".strip()) as pdf:
        _flow(pdf, card, plan)
        _foot(pdf, card)
        return bytes(pdf.output())


def _flow(pdf: TaggedPage, card: Card, plan: Plan) -> float:
    """Draw all but the foot; returns where it ends."""
    y = _head(pdf, card)
    y = max(_picture(pdf, card, plan, y), _sizes(pdf, card, plan, y)) + 4.5
    y = _rows(pdf, card, plan, y) + 3.5
    left = _boxes(pdf, card, plan, y)
    right = _changes(pdf, card, plan, y)
    return _cautions(pdf, card, plan, max(left, right) + 3.5)


def _head(pdf: TaggedPage, card: Card) -> float:
    room = WIDTH - QR_SIDE - GAP
    y = pdf.words(SIDE, TOP, room, f"Job card · {card.made_at}", size=BODY, ink=GREY)
    size = 24.0
    share_width = pdf.width_of(card.share, size=size) + 4 if card.share else 0.0
    while size > 14 and pdf.width_of(card.title, size=size, bold=True) > room - share_width:
        size -= 1
    after = pdf.words(SIDE, y + 1.2, room - share_width, card.title, size=size, bold=True, role="H1")
    if card.share:
        width = pdf.width_of(card.title, size=size, bold=True)
        pdf.words(SIDE + min(width, room - share_width) + 4, y + 1.2, share_width, card.share, size=size, ink=GREY)
    y = pdf.words(SIDE, after + 0.8, room, card.beneath, size=BODY, ink=GREY)
    if card.case_id:
        _qr(pdf, card.case_id)
        y = max(y, TOP + QR_SIDE)
    pdf.rule(SIDE, y + 2.5, WIDTH, weight=0.6, ink=INK)
    return y + 6.0


def _qr(pdf: TaggedPage, text: str) -> None:
    side, dark = qr.runs(text)
    step = QR_SIDE / side
    left, top = SIDE + WIDTH - QR_SIDE + qr.QUIET * step, TOP - qr.QUIET * step
    with pdf.tagged("Figure", f"QR code that says {text}"):
        pdf.set_fill_color(0, 0, 0)
        for x, y, length in dark:
            pdf.rect(left + x * step, top + y * step, length * step, step, style="F")
    below = TOP + (side - 2 * qr.QUIET) * step + 1
    pdf.words(SIDE + WIDTH - 50, below, 50, text, size=BODY, bold=True, right=True)


def _picture(pdf: TaggedPage, card: Card, plan: Plan, y: float) -> float:
    if card.overlay_jpeg is None:
        return y
    width, height = picture_size(card.overlay_hw, plan)
    with pdf.tagged("Figure", card.overlay_words):
        pdf.image(io.BytesIO(card.overlay_jpeg), SIDE, y, width, height)
    return y + height


def _title(pdf: TaggedPage, x: float, y: float, width: float, text: str, remark: str = "") -> float:
    if remark:
        room = pdf.width_of(remark, size=SMALL)
        pdf.words(x + width - room - 0.2, y + 0.9, room + 0.4, remark, size=SMALL, ink=GREY, right=True)
    return pdf.words(x, y, width, text, size=HEADING, bold=True, role="H2") + 1.0


def _sizes(pdf: TaggedPage, card: Card, plan: Plan, y: float) -> float:
    beside = 0.0 if card.overlay_jpeg is None else picture_size(card.overlay_hw, plan)[0] + GAP
    x, width = SIDE + beside, WIDTH - beside
    field = x + width - FIELD_WIDTH
    pdf.words(field, y + 0.9, FIELD_WIDTH, "by callipers", size=SMALL, ink=GREY, right=True)
    pdf.words(x, y + 0.9, width - FIELD_WIDTH - 3, "by photo, ± covers 95 %", size=SMALL, ink=GREY, right=True)
    y = _title(pdf, x, y, width, "Sizes")
    for size in card.sizes:
        pdf.rule(x, y, width)
        wide = width - FIELD_WIDTH - 30
        under = pdf.words(x, y + 1.3, wide, size.name, size=SMALL + 0.4, ink=GREY)
        pdf.words(field - 33, y + 1.1, 30, size.value or "–", size=BODY + 0.5, bold=True, right=True)
        if size.callipers:
            pdf.words(field, y + 1.1, FIELD_WIDTH, size.callipers, size=BODY + 0.5, right=True)
        else:
            pdf.rule(field + 4, y + 5.0, FIELD_WIDTH - 4, weight=0.25, ink=GREY)
        y = max(under, y + 5.4) + 1.0
    if not card.sizes:
        return pdf.words(x, y, width, "There is nothing to measure.", size=BODY)
    pdf.rule(x, y, width)
    lines = list(card.reasons[: plan.reasons])
    if len(card.reasons) > plan.reasons > 0:
        lines.append(f"and {len(card.reasons) - plan.reasons} more")
    for line in lines:
        y = pdf.words(x, y + 0.8, width, line, size=TINY, ink=GREY)
    return y


def _rows(pdf: TaggedPage, card: Card, plan: Plan, y: float) -> float:
    shown = card.rows[: plan.rows]
    rest = [row.share for row in card.rows[plan.rows :]] + list(card.rest)
    stocked = any(row.parts for row in shown)
    top, y = y, _title(pdf, SIDE, y, WIDTH, "Replacement, most likely first")
    if not card.rows:
        return pdf.words(SIDE, y, WIDTH, "No size is known for this.", size=BODY)
    if stocked:
        pdf.words(SIDE + WIDTH - PARTS_WIDTH, top, PARTS_WIDTH, "Own stock", size=HEADING, bold=True, role="H3")
    for at, row in enumerate(shown):
        y = _row(pdf, row, y, first=at == 0, stocked=stocked)
    if rest:
        share = percent(sum(rest))
        pdf.rule(SIDE, y, WIDTH)
        y = pdf.words(SIDE, y + 1.0, WIDTH, f"and {len(rest)} more, together {share}", size=SMALL, ink=GREY)
    return y


def _row(pdf: TaggedPage, row: Row, y: float, *, first: bool, stocked: bool) -> float:
    pdf.rule(SIDE, y, WIDTH)
    pdf.words(SIDE, y + 1.1, 13, percent(row.share), size=BODY + 0.5, bold=True, right=True)
    pdf.block(SIDE + 16, y + 2.3, 16, 1.7, LIGHT)
    pdf.block(SIDE + 16, y + 2.3, max(0.3, 16 * row.share), 1.7, INK)
    x = SIDE + 36
    width = WIDTH - 36 - (PARTS_WIDTH + 4 if stocked else 0)
    end = pdf.words(x, y + 1.1, width, row.words, size=BODY, bold=first)
    if row.details:
        end = pdf.words(x, end, width, row.details, size=TINY, ink=GREY)
    at = y + 1.3
    for part in row.parts:
        line = pdf.fitted(part, PARTS_WIDTH - 0.5, size=SMALL)
        at = pdf.words(SIDE + WIDTH - PARTS_WIDTH, at, PARTS_WIDTH, line, size=SMALL)
    return max(end, at) + 1.2


def _boxes(pdf: TaggedPage, card: Card, plan: Plan, y: float) -> float:
    width = CHECKS_WIDTH if card.changes else WIDTH
    y = _title(pdf, SIDE, y, width, "Check before ordering")
    if not card.boxes:
        return pdf.words(SIDE, y, width, "No check is left that would tell more.", size=BODY)
    for box in card.boxes[: plan.boxes]:
        y = _box(pdf, box, y + 0.4, width - 6)
    rest = len(card.boxes) - plan.boxes
    return pdf.words(SIDE + 6, y, width - 6, f"and {rest} more", size=SMALL, ink=GREY) if rest > 0 else y


def _box(pdf: TaggedPage, box: Box, y: float, width: float) -> float:
    pdf.box(SIDE, y + 0.45, BOX_SIDE, ticked=bool(box.answer))
    x = SIDE + 6
    if box.answer:
        return pdf.words(x, y, width, f"{box.question} {box.answer}", size=BODY - 0.3, bold=True) + 0.7
    y = pdf.words(x, y, width, box.question, size=BODY - 0.3)
    if not box.options:
        return y + 0.7
    step = y + 0.2
    for option in box.options:
        room = pdf.width_of(option, size=SMALL) + 8
        if x + room > SIDE + 6 + width and x > SIDE + 6:
            x, step = SIDE + 6, step + 4.0
        pdf.box(x, step + 0.4, 2.5, ticked=False)
        pdf.words(x + 4, step, room, option, size=SMALL, ink=GREY)
        x += room
    return step + 4.6


def _changes(pdf: TaggedPage, card: Card, plan: Plan, y: float) -> float:
    if not card.changes:
        return y
    x = SIDE + CHECKS_WIDTH + GAP
    width = WIDTH - CHECKS_WIDTH - GAP
    y = _title(pdf, x, y, width, "Another head in this body?")
    for change in card.changes[: plan.changes]:
        y = _change(pdf, change, x, y, width)
    rest = len(card.changes) - plan.changes
    return pdf.words(x, y, width, f"and {rest} more", size=SMALL, ink=GREY) if rest > 0 else y


def _change(pdf: TaggedPage, change: Change, x: float, y: float, width: float) -> float:
    y = pdf.words(x, y, width, f"{change.to}: {change.verdict}", size=BODY - 0.3, bold=True)
    for reason in change.reasons[:2]:
        y = pdf.words(x, y + 0.3, width, reason, size=TINY, ink=GREY)
    if len(change.reasons) > 2:
        y = pdf.words(x, y + 0.3, width, f"and {len(change.reasons) - 2} more to look at", size=TINY, ink=GREY)
    return y + 1.6


def _cautions(pdf: TaggedPage, card: Card, plan: Plan, y: float) -> float:
    """In two columns beside a thick bar; nothing of a caution is left out but its second sentence."""
    if not card.cautions:
        return y
    texts = [text if plan.whole_cautions else first_sentence(text) for text in card.cautions]
    x, width = SIDE + 4, (WIDTH - 4 - GAP) / 2
    top = _title(pdf, x, y, WIDTH - 4, "Take care")
    heights = [pdf.height(width - 3, text, size=TINY) + 0.9 for text in texts]
    split = min(range(1, len(texts) + 1), key=lambda at: (max(sum(heights[:at]), sum(heights[at:])), at))
    ends = []
    for column, some in ((x, texts[:split]), (x + width + GAP, texts[split:])):
        at = top
        for text in some:
            pdf.block(column, at + 1.15, 0.9, 0.9, INK)
            at = pdf.words(column + 3, at, width - 3, text, size=TINY) + 0.9
        ends.append(at)
    pdf.block(SIDE, y + 0.6, 1.2, max(ends) - y - 1.2, INK)
    return max(ends)


def _foot(pdf: TaggedPage, card: Card) -> None:
    y = PAGE_HEIGHT - BOTTOM - SIGN_HEIGHT + 11
    fields = (("Handed out", 62.0), ("Name", 40.0), ("Date", 26.0), ("Signature", 0.0))
    x = SIDE
    for name, wide in fields:
        width = wide or SIDE + WIDTH - x
        pdf.rule(x, y, width - 4 if wide else width, weight=0.3, ink=INK)
        pdf.words(x, y + 0.8, width, name, size=SMALL, ink=GREY)
        x += width
    origin = pdf.fitted(card.origin, WIDTH - 0.5, size=TINY)
    pdf.words(SIDE, PAGE_HEIGHT - BOTTOM - 3.4, WIDTH, origin, size=TINY, ink=GREY)
