"""The whole application: guard, HTTP service, own files, page."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

os.environ["GRADIO_ANALYTICS_ENABLED"] = "False"
os.environ["HF_HUB_OFFLINE"] = "1"

import gradio as gr
from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from identify import __version__
from identify.web import api, files, page
from identify.web.guard import Guard
from identify.web.login import Door
from identify.web.shop import Shop

FOLDER = Path(__file__).parent
HEAD = """<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<link rel="stylesheet" href="/static/look.css">
<script src="/static/page.js"></script>"""


def build(shop: Shop, *, door: Door | None, names: Iterable[str] | None, most_mb: int) -> Guard:
    """The application, ready to be served.

    Parameters
    ----------
    door : who may come in; None lets everybody in.
    names : host names under which it answers; None for any.
    most_mb : the largest upload [MB].
    """
    app = FastAPI(title="Tapwright", version=__version__, docs_url=None, redoc_url=None, openapi_url="/openapi.json")
    app.include_router(api.router(shop))
    app.include_router(files.router(shop, door))
    app.openapi = lambda: _described(app)  # type: ignore[method-assign]
    app = gr.mount_gradio_app(
        app,
        page.build(shop, with_login=door is not None),
        path="/",
        footer_links=[],
        run_history=False,
        app_kwargs={"docs_url": None, "redoc_url": None},
        show_error=False,
        max_file_size=f"{most_mb}mb",
        ssr_mode=False,
        enable_monitoring=False,
        pwa=False,
        mcp_server=False,
        favicon_path=str(FOLDER / "static" / "icon.svg"),
        theme=gr.themes.Base(font=["system-ui", "sans-serif"], font_mono=["ui-monospace", "monospace"]),
        head=HEAD,
    )
    return Guard(app, door=door, names=None if names is None else frozenset(names), most_bytes=most_mb * 1_000_000)


def _described(app: FastAPI) -> dict[str, Any]:
    """OpenAPI of the service, with the case contract among its schemas."""
    if not app.openapi_schema:
        told = get_openapi(title=app.title, version=app.version, routes=app.routes)
        told.setdefault("components", {}).setdefault("schemas", {}).update(api.schemas())
        app.openapi_schema = told
    return app.openapi_schema
