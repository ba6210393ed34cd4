"""The page as a whole: head, the three places, and the look."""

from __future__ import annotations

import gradio as gr

from identify import __version__
from identify.web import one_part, stock_place, survey_place, views
from identify.web.shop import Shop

TITLE = "Tapwright"
KEPT_S = 3600  # uploads and other files of the page's framework
PLACES = (("part", "One part"), ("survey", "Survey"), ("shop", "Stock & records"))


def build(shop: Shop, *, with_login: bool) -> gr.Blocks:
    """The page's components."""
    views.ready()
    with gr.Blocks(title=TITLE, analytics_enabled=False, delete_cache=(KEPT_S, KEPT_S), fill_width=True) as page:
        gr.HTML(
            views.render("head.html", places=PLACES, with_login=with_login),
            js_on_load="tapwright.head(element);",
            elem_id="head",
            **one_part.HTML,
        )
        builders = {"part": one_part.build, "survey": survey_place.build, "shop": stock_place.build}
        for name, _ in PLACES:
            with gr.Column(elem_id=f"place-{name}", elem_classes="place"):
                builders[name](shop)
        gr.HTML(views.render("foot.html", version=__version__), elem_id="foot", **one_part.HTML)
    return page
