"""Own stock and records: import a list, find cases, say what was handed out, see the figures."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gradio as gr

from identify import tables
from identify.errors import IdentifyError, UsageError
from identify.records import KeptCase
from identify.tables import stock
from identify.web import arrivals, views
from identify.web.one_part import BROKEN, FORMS, HTML, LOG, typed_number
from identify.web.shop import Shop
from identify.web.survey_place import FORM

SHOWN_PROBLEMS, SHOWN_LINES = 100, 50
KNOWN = {"": None, "yes": True, "no": False}


def build(shop: Shop) -> None:
    """The place's components and what they do."""
    with gr.Row(elem_classes="shop-layout"):
        own = gr.HTML(_stock(shop), js_on_load=FORM, **HTML)
        kept = gr.HTML(_records(shop), js_on_load=FORMS, **HTML)
    quiet: dict[str, Any] = {"show_progress": "hidden", "api_visibility": "private", "concurrency_limit": 4}
    own.submit(_import(shop), None, [own], **quiet)
    kept.submit(_look_up(shop), None, [kept], **quiet)


def _stock(shop: Shop, *, told: str = "", problems: Any = (), remarks: Any = (), alert: str = "") -> str:
    rows: Counter[str] = Counter()
    pieces: Counter[str] = Counter()
    for each in shop.stock.rows if shop.stock else ():
        rows[each.row.class_id] += 1
        pieces[each.row.class_id] += each.quantity or 0
    listed = stock.as_csv(tuple(problems)).encode("utf-8-sig") if problems else b""
    return views.render(
        "stock.html",
        name=shop.stock_name if shop.stock else "",
        count=sum(rows.values()),
        classes=[{"name": views.class_name(name), "rows": rows[name], "pieces": pieces[name]} for name in sorted(rows)],
        told=told,
        alert=alert,
        remarks=remarks,
        problems=problems[:SHOWN_PROBLEMS],
        problem_count=len(problems),
        problems_csv=f"data:text/csv;base64,{base64.b64encode(listed).decode()}",
    )


def _import(shop: Shop) -> Callable[..., str]:
    def take(event: gr.EventData) -> str:
        said = event._data
        if said.get("do") == "no-stock":
            shop.stock, shop.stock_name = None, ""
            return _stock(shop, told="No list of your own is in use.")
        try:
            sent = (said.get("files") or [None])[0]
            name = arrivals.name_of(sent, "list.csv")
            path = arrivals.place(shop.uploads, sent)
            named = path.rename(path.with_suffix(Path(name).suffix))  # its kind is told by its name
            try:
                found = stock.examine(named)
            finally:
                named.unlink(missing_ok=True)
        except IdentifyError as why:
            return _stock(shop, alert=str(why))
        except Exception as why:
            LOG.error("The list could not be read.", exc_info=why)
            return _stock(shop, alert=BROKEN)
        if found.stock is None:
            return _stock(shop, alert=f"Nothing is taken from {name}.", problems=found.problems, remarks=found.remarks)
        shop.stock, shop.stock_name = found.stock, name
        return _stock(shop, told=f"{name} is in use.", remarks=found.remarks)

    return take


def _records(
    shop: Shop,
    said: Any = None,
    *,
    opened: KeptCase | None = None,
    told: str = "",
    alert: str = "",
    fresh: bool = False,
) -> str:
    """Search, what was found, and the figures."""
    if shop.records is None:
        return views.render("records.html", off=True)
    said = said or {}
    wanted: dict[str, Any] = {
        "text": str(said.get("text") or "") or None,
        "class_": str(said.get("class") or "") or None,
        "confirmed": KNOWN.get(str(said.get("confirmed") or "")),
    }
    return views.render(
        "records.html",
        off=False,
        said={name: str(said.get(name) or "") for name in ("text", "class", "confirmed")},
        classes=[{"value": name, "words": row.name} for name, row in tables.load().classes.items() if row.part],
        count=shop.records.count(**wanted),
        lines=[_line(each) for each in shop.records.find(**wanted, limit=SHOWN_LINES)],
        opened=None if opened is None else _opened(opened),
        figures=_figures(shop.records.figures()),
        told=told,
        alert=alert,
        fresh=fresh,
    )


def _line(line: Any) -> dict[str, Any]:
    return {
        "id": line.id,
        "when": line.made_at[:16].replace("T", " "),
        "answer": "Not sure" if line.answer == "unsure" else views.class_name(line.answer),
        "first": line.first,
        "handed_out": line.handed_out,
        "returned": bool(line.returned),
        "confirmed": line.confirmed,
    }


def _opened(kept: KeptCase) -> dict[str, Any]:
    done = kept.confirmation
    right = done.right_class if done else kept.case["class"]["answer"]
    sizes = [each for each in kept.case["measurements"] if "value_mm" in each]
    return {
        "id": kept.id,
        "when": kept.made_at[:16].replace("T", " "),
        "picture": kept.overlay_jpeg is not None,
        "right": right or "",
        "handed_out": done.handed_out if done else "",
        "note": done.note if done else "",
        "returned": bool(done and done.returned),
        "confirmed": done is not None,
        "candidates": [
            (each["id"], each["description"]) for each in kept.case["candidates"][:6] if each["id"] != "other"
        ],
        "sizes": [
            {
                "quantity": each["quantity"],
                "name": views.sentence(views.words(each["quantity"])),
                "photo": f"{each['value_mm']:.1f}",
                "value": f"{done.callipers_mm[each['quantity']]:g}"
                if done and each["quantity"] in done.callipers_mm
                else "",
            }
            for each in sizes
        ],
    }


def _figures(told: Any) -> dict[str, Any]:
    def share(of: Any) -> str:
        if not of["of"]:
            return "no case yet"
        return f"{of['count']} of {of['of']}: {of['share']:.0%} (95 %: {of['low']:.0%} to {of['high']:.0%})"

    return {
        "cases": told["cases"],
        "confirmed": told["confirmed"],
        "lines": [
            ("Kind named rightly", share(told["class"]["right"])),
            ("Answered with not sure", share(told["class"]["unsure"])),
            ("Handed-out part stood first", share(told["candidates"]["first"])),
            ("Parts that came back", share(told["orders"]["wrong"])),
            ("Callipers within the ±", share(told["u95"]["all"])),
        ],
    }


def _look_up(shop: Shop) -> Callable[..., str]:
    def look_up(event: gr.EventData) -> str:
        said = event._data
        try:
            if shop.records is None:
                raise UsageError("No records are kept here.")
            if said.get("do") == "open":
                return _records(shop, said, opened=shop.records.get(str(said.get("case", ""))), fresh=True)
            if said.get("do") == "confirm":
                return _confirmed(shop, said)
            if said.get("do") == "forget":
                shop.records.forget(str(said.get("case", "")))
                return _records(shop, said, told="The case is forgotten, its photos too.")
            return _records(shop, said)
        except IdentifyError as why:
            return _records(shop, said, alert=str(why))
        except Exception as why:
            LOG.error("The records failed.", exc_info=why)
            return _records(shop, said, alert=BROKEN)

    return look_up


def _confirmed(shop: Shop, said: Any) -> str:
    assert shop.records is not None
    case_id = str(said.get("case", ""))
    sizes = {str(name)[5:]: typed_number(said, name) for name in said if str(name).startswith("size:")}
    shop.records.confirm(
        case_id,
        handed_out=str(said.get("handed_out") or ""),
        right_class=str(said.get("right_class") or "") or None,
        callipers_mm={name: value for name, value in sizes.items() if value is not None},
        returned={"yes": True, "no": False}.get(str(said.get("returned") or "")),
        note=str(said.get("note") or ""),
    )
    return _records(shop, {}, told=f"Case {case_id} is confirmed.")
