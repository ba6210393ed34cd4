"""One part: photos in, the answer, checks answered one by one, what was handed out."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import gradio as gr

from identify import pipeline, tables
from identify.errors import IdentifyError, UsageError
from identify.job import Job
from identify.web import arrivals, views
from identify.web.shop import AT_ONCE, Shop

HTML: dict[str, Any] = {"padding": False, "apply_default_css": False}
FORMS = "tapwright.forms(element, trigger, watch); // 'submit'"
SEEN = "tapwright.shown(element, watch);"
BROKEN = "Something went wrong here; try again, and look at the server's log if it stays."
NUMBER = {"height": "height of the rim", "disc": "diameter of the disc"}
LOG = logging.getLogger("tapwright")
Said = Mapping[str, Any]


def build(shop: Shop) -> None:
    """The place's components and what they do."""
    with gr.Row(elem_classes="part-layout"):
        with gr.Column(elem_classes="part-ask", scale=0, min_width=0):
            form = gr.HTML(
                views.render("part_form.html", coins=_coins()),
                js_on_load="tapwright.photoForm(element, trigger); // 'submit'",
                **HTML,
            )
        with gr.Column(elem_classes="part-answer", elem_id="answer", scale=1, min_width=0):
            verdict = gr.HTML("", js_on_load=SEEN, elem_classes="answer-verdict", **HTML)
            with gr.Row(elem_classes="answer-columns"):
                picture = gr.HTML("", js_on_load=SEEN, elem_classes="answer-picture", **HTML)
                ranking = gr.HTML("", js_on_load=FORMS, elem_classes="answer-ranking", **HTML)
                sizes = gr.HTML("", js_on_load=SEEN, elem_classes="answer-sizes", **HTML)
            more = gr.HTML("", js_on_load=SEEN, elem_classes="answer-more", **HTML)
            wrap_up = gr.HTML("", js_on_load=FORMS, elem_classes="answer-wrap-up", **HTML)
    answer = [verdict, picture, ranking, sizes, more, wrap_up]
    quiet: dict[str, Any] = {"show_progress": "hidden", "api_visibility": "private"}
    identify, change, confirm = _identify(shop), _change(shop), _confirm(shop)
    form.submit(identify, None, answer, concurrency_limit=AT_ONCE, **quiet)
    ranking.submit(change, None, [ranking, more, wrap_up], concurrency_limit=4, **quiet)
    wrap_up.submit(confirm, None, [wrap_up], concurrency_limit=4, **quiet)


def _coins() -> dict[str, list[Any]]:
    """Reference objects by currency, as the list offers them."""
    found: dict[str, list[Any]] = {}
    for row in tables.load().references.values():
        if row.kind == "coin":
            found.setdefault(row.currency, []).append(row)
        elif row.kind != "coin" and row.id in ("card", "ruler", "sheet"):
            found.setdefault("Named", []).append(row)
    return found


def _identify(shop: Shop) -> Callable[..., Iterator[Any]]:
    def identify(event: gr.EventData) -> Iterator[Any]:
        try:
            said = event._data
            photos = [arrivals.taken(shop.uploads, each) for each in said.get("photos") or ()]
            job = shop.benches.start(photos, stock=shop.stock, **_options(said))
        except Exception as why:
            yield (_refused(why), "", "", "", "", "")
            return
        key = shop.desk.lay(job)
        shown = (
            views.verdict(job, fresh=True),
            views.picture(job, key),
            views.ranking(job, key),
            views.sizes(job),
            views.more(job),
        )
        yield (*shown, views.wrap_up(job, key, confirm=False))
        if shop.records is not None:
            yield (*[gr.skip()] * len(shown), _kept(shop, job, key, photos))

    return identify


def _kept(shop: Shop, job: Job, key: str, photos: list[tuple[str, bytes]]) -> str:
    assert shop.records is not None
    try:
        job = job.kept(shop.records, photos)
    except IdentifyError as why:
        return views.wrap_up(job, key, confirm=False, alert=str(why))
    shop.desk.lay(job, key)
    return views.wrap_up(job, key, confirm=True)


def _options(said: Said) -> dict[str, Any]:
    scale = str(said.get("scale") or pipeline.AUTO)
    if scale == "coin:":
        scale = f"coin:{typed_number(said, 'disc') or 0:g}"
    return {"scale": scale, "on_part": bool(said.get("on_part")), "height_mm": typed_number(said, "height")}


def typed_number(said: Said, name: str) -> float | None:
    """A number that was typed, with a point or a comma; None where nothing was."""
    text = str(said.get(name) or "").strip()
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = 0.0
    if not 0.5 <= value <= 500:
        raise UsageError(f"{text!r} is no {NUMBER.get(name, 'size')} in mm; give a number such as 24.26.")
    return value


def _refused(why: Exception) -> str:
    """One sentence; what is not the user's fault is in the log too."""
    if not isinstance(why, IdentifyError):
        LOG.error("The page could not answer.", exc_info=why)
    return views.render("refused.html", alert=str(why) if isinstance(why, IdentifyError) else BROKEN)


def _change(shop: Shop) -> Callable[..., Any]:
    def change(event: gr.EventData) -> Any:
        said = event._data
        key = str(said.get("job", ""))
        try:
            job = shop.desk.take(key)
            check = str(said.get("check", ""))
            if said.get("do") == "withdraw":
                job = job.withdrawn(check, shop.stock)
            else:
                job = job.answered(check, str(said.get("answer") or said.get("reading") or ""), shop.stock)
            shop.desk.lay(job, key)
        except IdentifyError as why:
            return _unchanged(shop, key, str(why))
        except Exception as why:
            LOG.error("The page could not answer.", exc_info=why)
            return _unchanged(shop, key, BROKEN)
        _keep_answer(shop, job)
        return views.ranking(job, key, focus=True), views.more(job), views.wrap_up(job, key, confirm=bool(job.case_id))

    return change


def _unchanged(shop: Shop, key: str, alert: str) -> Any:
    try:
        return views.ranking(shop.desk.take(key), key, alert=alert), gr.skip(), gr.skip()
    except IdentifyError as why:
        return views.render("refused.html", alert=str(why)), gr.skip(), gr.skip()


def _keep_answer(shop: Shop, job: Job) -> None:
    """Put the new answer into the records; where they fail, the answer is shown all the same."""
    if shop.records is not None and job.case_id:
        try:
            job.kept(shop.records)
        except IdentifyError as why:
            LOG.warning("%s", why)


def _confirm(shop: Shop) -> Callable[..., Any]:
    def confirm(event: gr.EventData) -> str:
        said = event._data
        key = str(said.get("job", ""))
        try:
            job = shop.desk.take(key)
            if shop.records is None or not job.case_id:
                raise UsageError("This case is not in the records; take the photo again.")
            handed_out = str(said.get("handed_out") or said.get("other_part") or "").strip()
            if not handed_out:
                raise UsageError("Say which part was handed out.")
            sizes = {name[5:]: typed_number(said, name) for name in said if str(name).startswith("size:")}
            shop.records.confirm(
                job.case_id,
                handed_out=handed_out,
                right_class=str(said.get("right_class") or "") or None,
                callipers_mm={name: value for name, value in sizes.items() if value is not None},
                note=str(said.get("note") or ""),
            )
        except IdentifyError as why:
            return _not_confirmed(shop, key, str(why))
        except Exception as why:
            LOG.error("The page could not answer.", exc_info=why)
            return _not_confirmed(shop, key, BROKEN)
        told = f"{handed_out} is noted for case {job.case_id}. Sending it again puts it right."
        return views.wrap_up(job, key, confirm=True, confirmed=told)

    return confirm


def _not_confirmed(shop: Shop, key: str, alert: str) -> str:
    try:
        return views.wrap_up(shop.desk.take(key), key, confirm=True, alert=alert)
    except IdentifyError as why:
        return views.render("refused.html", alert=str(why))
