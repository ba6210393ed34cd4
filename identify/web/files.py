"""The page's own files, and no other: styles and scripts, example pictures, a job's picture and card, the login."""

from __future__ import annotations

import mimetypes
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import parse_qs

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi import Path as InPath
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response

from identify import job_card, report
from identify.errors import IdentifyError, UsageError
from identify.records import KeptCase
from identify.survey import sheet
from identify.survey.review import Review
from identify.tables import stock
from identify.web import arrivals, guard, views
from identify.web.login import SESSION_S, Door
from identify.web.shop import Shop, photo_files

FOLDER = Path(__file__).parent
MOST_FORM = 4_000
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
Key = Annotated[str, InPath(pattern="^[A-Za-z0-9_-]{1,64}$")]


def router(shop: Shop, door: Door | None) -> APIRouter:
    """Routes of what the page shows beside its own components; left out of the service's description."""
    routes = APIRouter(include_in_schema=False)
    _own(routes)
    _arrivals(routes, shop)
    _jobs(routes, shop)
    _kept(routes, shop)
    _surveys(routes, shop)
    if door is not None:
        _doors(routes, door)
    return routes


def _own(routes: APIRouter) -> None:
    known = {f"{name}/{file.name}": file for name in ("static", "pictures") for file in (FOLDER / name).iterdir()}

    @routes.get("/healthz")
    def healthy() -> PlainTextResponse:
        return PlainTextResponse("ok")

    @routes.get("/static/{name}")
    @routes.get("/pictures/{name}")
    def own(request: Request, name: str) -> Response:
        file = known.get(f"{request.url.path.split('/')[-2]}/{name}")
        if file is None or file.suffix == ".toml":
            raise HTTPException(404)
        kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
        return Response(file.read_bytes(), media_type=kind, headers={"cache-control": "public, max-age=600"})


def _arrivals(routes: APIRouter, shop: Shop) -> None:
    @routes.post("/uploads")
    async def arrive(request: Request) -> JSONResponse:
        path = await run_in_threadpool(arrivals.room, shop.uploads)
        try:
            with path.open("wb") as file:
                async for piece in request.stream():
                    await run_in_threadpool(file.write, piece)
        except BaseException:  # cut off, or too much
            path.unlink(missing_ok=True)
            raise
        return JSONResponse({"token": path.name})


def _jobs(routes: APIRouter, shop: Shop) -> None:
    @routes.get("/jobs/{key}/measured.jpg")
    def measured(key: Key) -> Response:
        try:
            picture = shop.desk.take(key).picture
        except UsageError as why:
            raise HTTPException(404, str(why)) from why
        return Response(picture, media_type="image/jpeg", headers={"cache-control": "private, max-age=3600"})

    @routes.get("/jobs/{key}/job-card.{kind}")
    def card(key: Key, kind: str) -> Response:
        try:
            job = shop.desk.take(key)
            about = {"case_id": job.case_id or key[:10], "answers": job.answers, "made_at": datetime.now().astimezone()}
            return _card(report.as_json(job.case), job.picture, kind, about)
        except IdentifyError as why:
            raise HTTPException(404, str(why)) from why


def _kept(routes: APIRouter, shop: Shop) -> None:
    def found(case_id: str) -> KeptCase:
        if shop.records is None:
            raise HTTPException(404)
        try:
            return shop.records.get(case_id)
        except UsageError as why:
            raise HTTPException(404, str(why)) from why

    @routes.get("/records/{case_id}/job-card.{kind}")
    def card(case_id: Key, kind: str) -> Response:
        kept = found(case_id)
        about = {"case_id": kept.id, "answers": kept.answers, "made_at": kept.made_at}
        return _card(kept.case, kept.overlay_jpeg, kind, about)

    @routes.get("/records/{case_id}/measured.jpg")
    def measured(case_id: Key) -> Response:
        picture = found(case_id).overlay_jpeg
        if picture is None:
            raise HTTPException(404)
        return Response(picture, media_type="image/jpeg")

    @routes.get("/stock/template.csv")
    def template() -> Response:
        named = {"content-disposition": 'attachment; filename="stock-list.csv"'}
        return Response(stock.template().encode("utf-8-sig"), media_type="text/csv", headers=named)


def _surveys(routes: APIRouter, shop: Shop) -> None:
    def found(key: str) -> Review:
        try:
            return shop.surveys.take(key)
        except UsageError as why:
            raise HTTPException(404, str(why)) from why

    @routes.get("/surveys/{key}/schedule.{kind}")
    def schedule(key: Key, kind: str) -> Response:
        review = found(key)
        named = {"content-disposition": f'attachment; filename="schedule.{kind}"'}
        if kind == "csv":
            return Response(
                b"".join(sheet.csv_lines(review.schedule.sheets()[0])), media_type="text/csv", headers=named
            )
        if kind != "xlsx" or not isinstance(review.out, Path):
            raise HTTPException(404)
        review.rewrite()
        return Response(review.out.read_bytes(), media_type=WORKBOOK, headers=named)

    @routes.get("/surveys/{key}/{number}.jpg")
    def photo(key: Key, number: int, side: Annotated[int, Query(ge=64, le=1600)] = 480) -> Response:
        review = found(key)
        files = photo_files(review)
        try:
            picture = review.picture(files[number], side) if 0 <= number < len(files) else None
        except IdentifyError as why:
            raise HTTPException(404, str(why)) from why
        if picture is None:
            raise HTTPException(404)
        return Response(picture, media_type="image/jpeg")


def _card(case: dict[str, Any], picture: bytes | None, kind: str, about: dict[str, Any]) -> Response:
    if kind == "html":
        return HTMLResponse(job_card.html(case, picture, **about))
    if kind != "pdf":
        raise HTTPException(404)
    named = {"content-disposition": f'attachment; filename="job-card-{about["case_id"]}.pdf"'}
    return Response(job_card.pdf(case, picture, **about), media_type="application/pdf", headers=named)


def _doors(routes: APIRouter, door: Door) -> None:
    @routes.get("/login")
    def ask() -> HTMLResponse:
        return HTMLResponse(views.render("login.html", alert=""))

    @routes.post("/login")
    async def enter(request: Request) -> Response:
        body = (await request.body())[:MOST_FORM].decode("utf-8", "replace")
        said = {name: values[0] for name, values in parse_qs(body, keep_blank_values=True).items()}
        name = said.get("name", "")
        try:
            right = await run_in_threadpool(door.knock, name, said.get("password", ""), guard.address(request.scope))
        except UsageError as why:
            return HTMLResponse(views.render("login.html", alert=str(why)), 429)
        if not right:
            return HTMLResponse(views.render("login.html", alert="Name or password is wrong; try again."), 401)
        answer = RedirectResponse("/", 303)
        secure = request.url.scheme == "https"
        answer.set_cookie(
            guard.COOKIE, door.open(name), max_age=int(SESSION_S), httponly=True, samesite="strict", secure=secure
        )
        return answer

    @routes.post("/logout")
    def leave(request: Request) -> Response:
        door.close(guard.session(request.headers.get("cookie", "")))
        answer = RedirectResponse("/login", 303)
        answer.delete_cookie(guard.COOKIE)
        return answer
