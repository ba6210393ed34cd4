"""Own stock and records."""

from __future__ import annotations

import gradio as gr

from identify.web.shop import Shop


def build(shop: Shop) -> None:
    """The place's components."""
    gr.HTML("<p>Stock</p>", padding=False)
