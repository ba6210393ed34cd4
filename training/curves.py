"""The card's picture: how far a probability can be trusted, and what share of answers is wrong at each share answered.

Left the reliability diagram [Niculescu-Mizil & Caruana 2005], a dot a bin of probabilities, its area the number of
pictures in it; right the risk-coverage curve [Geifman & El-Yaniv 2017]. Both are drawn as one SVG.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree as Xml

COLOURS = ("#1f5673", "#c8553d", "#5b8c5a", "#7d5a9b")  # of the picture sets, in their order
INK, FAINT = "#222222", "#cccccc"
SIDE_PX, LEFT_PX, TOP_PX, GAP_PX = 270.0, 62.0, 44.0, 92.0
LARGEST_PX = 15.0  # radius of a dot that holds all pictures


@dataclass(frozen=True, slots=True)
class Panel:
    """A square of axes: where it begins [px], and the values at its far ends; both axes begin at 0."""

    left_px: float
    most_x: float
    most_y: float

    def place(self, x: float, y: float) -> tuple[float, float]:
        """A point of the picture [px]."""
        return self.left_px + SIDE_PX * x / self.most_x, TOP_PX + SIDE_PX * (1 - y / self.most_y)


def drawn(found: Mapping[str, Mapping[str, Any]]) -> str:
    """The SVG of evaluations by name, each with ``reliability`` and ``risk_coverage``."""
    picture = Xml.Element("svg", {
        "xmlns": "http://www.w3.org/2000/svg", "viewBox": "0 0 760 400", "width": "760", "height": "400",
        "font-family": "sans-serif", "font-size": "12", "fill": INK, "role": "img",
    })  # fmt: skip
    Xml.SubElement(picture, "title").text = "Reliability diagram and risk-coverage curve"
    Xml.SubElement(picture, "rect", {"width": "760", "height": "400", "fill": "#ffffff"})
    worst = max((risk for one in found.values() for _, risk in one["risk_coverage"]), default=0.0)
    trust = Panel(LEFT_PX, 1.0, 1.0)
    risk = Panel(LEFT_PX + SIDE_PX + GAP_PX, 1.0, max(0.05, math.ceil(20 * worst) / 20))
    _axes(picture, trust, "probability of the answer", "share that is right")
    _axes(picture, risk, "share that is answered", "share of these that is wrong")
    _line(picture, [trust.place(0, 0), trust.place(1, 1)], FAINT, dashed=True)
    for number, (name, one) in enumerate(found.items()):
        colour = COLOURS[number % len(COLOURS)]
        whole = sum(count for count, _, _ in one["reliability"])
        for count, sure, right in one["reliability"]:
            x, y = trust.place(sure, right)
            radius = max(2.0, LARGEST_PX * math.sqrt(count / whole))
            Xml.SubElement(picture, "circle", {"cx": _px(x), "cy": _px(y), "r": _px(radius), "fill": colour,
                                               "fill-opacity": "0.6"})  # fmt: skip
        _line(picture, [risk.place(*point) for point in one["risk_coverage"]], colour)
        _text(picture, LEFT_PX + 190 * number, 22, f"{name}, {whole} pictures", "start", colour)
    return Xml.tostring(picture, encoding="unicode") + "\n"


def _axes(picture: Xml.Element, panel: Panel, across: str, upward: str) -> None:
    """Frame, five marks an axis with their values, and what the axes are."""
    for step in range(6):
        share = step / 5
        x, y = panel.place(share * panel.most_x, share * panel.most_y)
        _line(picture, [(panel.left_px, y), (panel.left_px + SIDE_PX, y)], FAINT)
        _line(picture, [(x, TOP_PX), (x, TOP_PX + SIDE_PX)], FAINT)
        _text(picture, x, TOP_PX + SIDE_PX + 18, f"{100 * share * panel.most_x:.0f} %", "middle")
        value = 100 * share * panel.most_y
        _text(picture, panel.left_px - 8, y + 4, f"{value:.3g} %", "end")
    _text(picture, panel.left_px + SIDE_PX / 2, TOP_PX + SIDE_PX + 42, across, "middle")
    turned = _text(picture, 0, 0, upward, "middle")
    place = f"translate({_px(panel.left_px - 50)} {_px(TOP_PX + SIDE_PX / 2)}) rotate(-90)"
    turned.set("transform", place)


def _line(picture: Xml.Element, points: Sequence[tuple[float, float]], colour: str, *, dashed: bool = False) -> None:
    given = {"points": " ".join(f"{_px(x)},{_px(y)}" for x, y in points), "fill": "none", "stroke": colour}
    bold = colour in COLOURS
    Xml.SubElement(picture, "polyline", given | {"stroke-width": "2" if bold else "1"}
                   | ({"stroke-dasharray": "4 4", "stroke": INK} if dashed else {}))  # fmt: skip


def _text(picture: Xml.Element, x: float, y: float, said: str, anchor: str, colour: str = INK) -> Xml.Element:
    place = {"x": _px(x), "y": _px(y), "text-anchor": anchor, "fill": colour}
    text = Xml.SubElement(picture, "text", place)
    text.text = said
    return text


def _px(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
