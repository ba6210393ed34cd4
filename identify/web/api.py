"""The HTTP service: photos in, the JSON array of ``tapwright identify --json`` out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib import resources
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, UploadFile
from fastapi.responses import JSONResponse

from identify import pipeline, report
from identify.errors import IdentifyError, PhotoError, UsageError
from identify.model import Case, FailedPhoto
from identify.web.shop import Shop

MOST_PHOTOS = 20
ABOUT = (
    "One object a case, or one for all photos with `same_part`. A photo that can't be read is an object with its "
    "`error`. Status 200 where any photo was answered, 422 where none was, 400 for words that don't fit together."
)
Json = dict[str, Any]


def router(shop: Shop) -> APIRouter:
    """The service's routes."""
    routes = APIRouter(prefix="/api", tags=["identify"])

    @routes.post(
        "/identify",
        summary="Say what the parts in photos are and measure them",
        description=ABOUT,
        responses={
            200: {
                "description": "the cases",
                "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Cases"}}},
            },
            400: {"description": "one sentence: what is wrong, and what to do"},
            422: {"description": "no photo could be read; the same array"},
        },
        response_class=JSONResponse,
    )
    def identify(
        photos: Annotated[list[UploadFile], File(description=f"photo files, at most {MOST_PHOTOS}")],
        scale: Annotated[
            str, Form(description="auto, a coin such as eur-1, card, ruler, sheet, or coin:24.26")
        ] = "auto",
        scale_on: Annotated[str, Form(description="bench or part: where the coin lies")] = "bench",
        height: Annotated[
            float | None, Form(description="height of a standing part's rim [mm]", ge=0.5, le=500)
        ] = None,
        same_part: Annotated[bool, Form(description="all photos show one part: answer them together")] = False,
        answer: Annotated[list[str], Form(description="CHECK=VALUE, an answer to a check; repeatable")] = [],  # noqa: B006
        budget: Annotated[bool, Form(description="give each measurement the parts of its uncertainty")] = False,
    ) -> JSONResponse:
        try:
            given = _answers(answer)
            if len(photos) > MOST_PHOTOS:
                raise UsageError(f"{len(photos)} photos are too many at once; send {MOST_PHOTOS} at most.")
            if scale_on not in ("bench", "part"):
                raise UsageError(f"scale_on is {scale_on!r}; it is bench or part.")
            options: Json = {"scale": scale, "on_part": scale_on == "part", "height_mm": height, "answers": given}
            cases, told = _identified(shop, photos, {**options, "stock": shop.stock})
            if same_part and cases:
                whole = pipeline.identify_part(cases, answers=given, stock=shop.stock)
                told = [whole, *(each for each in told if isinstance(each, FailedPhoto))]
        except IdentifyError as why:
            return JSONResponse({"error": str(why)}, 400)
        return JSONResponse([_as_json(each, budget) for each in told], 200 if cases else 422)

    return routes


def _answers(lines: Sequence[str]) -> dict[str, str]:
    pairs = [[part.strip() for part in line.partition("=")] for line in lines]
    for line, (check, equals, value) in zip(lines, pairs, strict=True):
        if not (check and equals and value):
            raise UsageError(f"answer {line!r}: write it as CHECK=VALUE.")
    return {check: value for check, _, value in pairs}


def _identified(shop: Shop, photos: Sequence[UploadFile], options: Json) -> tuple[list[Case], list[Case | FailedPhoto]]:
    cases: list[Case] = []
    told: list[Case | FailedPhoto] = []
    for each in photos:
        name = each.filename or "photo"
        try:
            case = shop.benches.look(each.file.read(), name=name, **options)
        except PhotoError as why:
            told.append(FailedPhoto(name, str(why)))
            continue
        cases.append(case)
        told.append(case)
    return cases, told


def _as_json(told: Case | FailedPhoto, budget: bool) -> Json:
    return report.failed_json(told) if isinstance(told, FailedPhoto) else report.as_json(told, budget=budget)


def schemas() -> Json:
    """The case contract as the schemas of an OpenAPI description."""
    contract = json.loads(resources.files("identify").joinpath("case.schema.json").read_text("utf-8"))
    named = {f"Case-{name}": body for name, body in contract.pop("$defs").items()}
    body = {key: value for key, value in contract.items() if not key.startswith("$")}
    text = json.dumps({"Cases": body, **named}).replace("#/$defs/", "#/components/schemas/Case-")
    return json.loads(text)
