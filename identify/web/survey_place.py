"""A survey: many photos in, progress, the schedule, and the doubtful photos to decide about."""

from __future__ import annotations

import os
import queue
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import gradio as gr

from identify import retake, survey, tables
from identify.errors import IdentifyError
from identify.model import UNSURE
from identify.survey import inventory
from identify.survey.review import Review
from identify.survey.schedule import UNREADABLE, Row
from identify.web import arrivals, views
from identify.web.one_part import BROKEN, HTML, LOG
from identify.web.shop import SCHEDULE, Shop, photo_files

WORKERS = 2
SHOWN_DOUBTS, SHOWN_ROWS, SHOWN_CLASSES = 12, 200, 3
FORM = "tapwright.filesForm(element, trigger, watch); // 'submit'"


def build(shop: Shop) -> None:
    """The place's components and what they do."""
    form = gr.HTML(_form(), js_on_load=FORM, **HTML)
    found = gr.HTML("", js_on_load=FORM, **HTML)
    quiet: dict[str, Any] = {"show_progress": "hidden", "api_visibility": "private"}
    form.submit(_run(shop), None, [found], concurrency_limit=1, **quiet)
    found.submit(_decide(shop), None, [found], concurrency_limit=4, **quiet)


def _form() -> str:
    return views.render("survey_form.html")


def _run(shop: Shop) -> Callable[..., Iterator[str]]:
    def run(event: gr.EventData) -> Iterator[str]:
        key, room = shop.surveys.room()
        try:
            source = arrivals.arranged(shop.uploads, event._data.get("files") or (), room / "photos")
            yield from _watched(source, room)
            shop.surveys.lay(key)
        except Exception as why:
            shop.surveys.clear(key)
            yield _refused(why)
            return
        yield _shown(shop.surveys.take(key), key, fresh=True)

    return run


def _watched(source: Path, room: Path) -> Iterator[str]:
    """Run the survey beside this thread, and tell how far it is."""
    news: queue.Queue[tuple[int, int, int] | BaseException | None] = queue.Queue()

    def work() -> None:
        try:
            workers = min(WORKERS, os.cpu_count() or 1)
            done = survey.run(
                source,
                inventory.beside(room / SCHEDULE, inventory.PROGRESS),
                workers=workers,
                told=lambda *far: news.put(far),
            )
            survey.write(done, room / SCHEDULE)
            news.put(None)
        except BaseException as why:
            news.put(why)

    threading.Thread(target=work, daemon=True).start()
    while (told := news.get()) is not None:
        if isinstance(told, BaseException):
            raise told
        while news.qsize() > 1:  # only the newest is worth showing
            later = news.get()
            if not isinstance(later, tuple):
                news.put(later)
                break
            told = later
        done, _, photos = told
        yield views.render("survey_progress.html", done=done, photos=photos)


def _refused(why: Exception) -> str:
    if not isinstance(why, IdentifyError):
        LOG.error("The survey failed.", exc_info=why)
    return views.render("refused.html", alert=str(why) if isinstance(why, IdentifyError) else BROKEN)


def _decide(shop: Shop) -> Callable[..., str]:
    def decide(event: gr.EventData) -> str:
        said = event._data
        key, file, alert = str(said.get("survey", "")), str(said.get("file", "")), ""
        try:
            review = shop.surveys.take(key)
        except IdentifyError as why:
            return _refused(why)
        try:
            if said.get("do") == "take-back":
                review.take_back(file)
            elif said.get("answer") == "apart":
                review.decide(file, review.row(file).answer, apart=True)
            else:
                review.decide(file, str(said.get("answer") or said.get("other") or ""))
        except IdentifyError as why:
            alert = str(why)
        except Exception as why:
            LOG.error("The decision failed.", exc_info=why)
            alert = BROKEN
        return _shown(review, key, alert=alert, next_one=True)

    return decide


def _shown(review: Review, key: str, *, alert: str = "", fresh: bool = False, next_one: bool = False) -> str:
    schedule = review.schedule
    doubts = [row for row in schedule.queue if row.finding is not None]
    numbers = {file: number for number, file in enumerate(photo_files(review))}
    taps = Counter(row.answer for row in schedule.taps.values())
    return views.render(
        "survey.html",
        survey=key,
        alert=alert,
        fresh=fresh,
        next_one=next_one,
        photos=len(schedule.rows),
        taps=[{"name": _name(name), "count": count} for name, count in taps.most_common()],
        failed=[{"file": row.shot.file, "error": row.error} for row in schedule.rows if row.error],
        left=len(doubts),
        doubts=[_doubt(row, key, numbers[row.shot.file]) for row in doubts[:SHOWN_DOUBTS]],
        decided=[
            {"file": row.shot.file, "answer": _name(row.answer)}
            for row in schedule.rows
            if row.decision is not None and row.decision.file == row.shot.file
        ],
        classes=[{"value": name, "words": row.name} for name, row in tables.load().classes.items()],
        places=schedule.place_names,
        rows=[_line(row) for row in schedule.rows[:SHOWN_ROWS]],
        cut=max(0, len(schedule.rows) - SHOWN_ROWS),
    )


def _doubt(row: Row, key: str, number: int) -> dict[str, Any]:
    assert row.finding is not None
    found = row.finding
    likely = list(dict.fromkeys([found.likely, *found.prediction_set]))[:SHOWN_CLASSES]
    return {
        "file": row.shot.file,
        "places": " · ".join(name for name in row.shot.places if name),
        "picture": f"/surveys/{key}/{number}.jpg",
        "why": row.look_first,
        "said": f"{_name(found.likely)}, {views.percent(found.probability)}",
        "first": row.first,
        "likely": [{"value": name, "words": _name(name)} for name in likely],
        "installed": found.view == retake.INSTALLED,
    }


def _line(row: Row) -> dict[str, Any]:
    probability = "" if row.finding is None or row.decision is not None else views.percent(row.finding.probability)
    return {
        "places": row.shot.places,
        "file": row.shot.file.rpartition("/")[2],
        "tap": row.tap or "",
        "answer": _name(row.answer),
        "probability": probability if row.answer != UNSURE else "",
        "look": "decided" if row.decision is not None else row.look_first,
    }


def _name(name: str) -> str:
    return {UNSURE: "Not sure", UNREADABLE: "Can't be read"}.get(name) or views.class_name(name)
