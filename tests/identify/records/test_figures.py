"""Figures on confirmed cases, worked by hand, and Wilson's interval against published values."""

from __future__ import annotations

import pytest

from identify.records import figures
from identify.records.kept import Confirmation, KeptCase


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson(count, of, low, high):
    """R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3 (score, no continuity correction)."""
    assert figures.wilson(count, of) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))
    assert figures.wilson(of - count, of) == (pytest.approx(1 - high, abs=5e-5), pytest.approx(1 - low, abs=5e-5))


def test_nothing_counted_says_nothing():
    told = figures.of([], cases=3)
    assert told["class"]["right"] == {"count": 0, "of": 0, "share": None, "low": 0.0, "high": 1.0}
    assert told["u95"]["all"]["median_off"] is None
    assert (told["cases"], told["confirmed"], told["classes"]) == (3, 0, {})


def made(answer, within, *, right=None, handed="", returned=None, readings=None, measured=(), rows=()):
    case = {
        "class": {"answer": answer, "set": within},
        "measurements": [
            {
                "quantity": name,
                **({"value_mm": value, "u95_mm": u95} if "count" not in name else {"value": value, "u95": u95}),
            }
            for name, value, u95 in measured
        ],
        "candidates": [{"id": name, "stock": [{"part_number": part} for part in parts]} for name, parts in rows],
    }
    told = Confirmation("", handed, right, readings or {}, returned, "")
    return KeptCase("x", "", "", case, {}, None, (), told)


def test_figures_by_hand():
    rows = [("a", ["P-1"]), ("b", []), ("other", []), ("c", ["P-3", "P-4"])]
    told = figures.of(
        [
            made("screw", ["screw"], right="screw", handed="A", returned=False, rows=rows),
            made("screw", ["screw", "ceramic"], right="ceramic", handed="p-4", returned=True, rows=rows),
            made("unsure", ["push", "ceramic"], right="ceramic", handed="strange", rows=rows),
            made("ceramic", ["ceramic"], right="ceramic", handed="", returned=False),
            made("ceramic", ["ceramic"], handed="b", rows=rows),  # nobody said what it was
        ],
        cases=9,
    )
    assert (told["cases"], told["confirmed"]) == (9, 5)
    assert [told["class"][key]["count"] for key in ("right", "unsure", "in_set")] == [2, 1, 4]
    assert [told["class"][key]["of"] for key in ("right", "unsure", "in_set")] == [3, 4, 4]
    assert (told["orders"]["wrong"]["count"], told["orders"]["wrong"]["of"], told["orders"]["not_known"]) == (1, 3, 2)
    assert (told["candidates"]["first"]["count"], told["candidates"]["first"]["of"]) == (1, 3)
    assert (told["candidates"]["first_three"]["count"], told["candidates"]["not_listed"]) == (3, 2)
    assert told["classes"]["ceramic"] == {
        "confirmed": 3,
        "right": figures.share(1, 2),
        "unsure": 1,
        "taken_for": {"screw": 1},
    }
    assert told["classes"]["screw"]["right"]["share"] == 1.0


def test_u95_coverage_by_hand():
    told = figures.of(
        [
            made(
                "a",
                [],
                measured=[("length", 50.0, 0.5), ("spline_count", 20, 0.0)],
                readings={"length": 50.5, "spline_count": 20},
            ),
            made("a", [], measured=[("length", 51.0, 0.5)], readings={"length": 50.0}),
            made("a", [], measured=[("length", 49.0, 5.0)], readings={"girth": 3.0}),
            made("a", [], readings={"length": 1.0}),
        ],
        cases=4,
    )["u95"]
    assert (told["all"]["count"], told["all"]["of"]) == (2, 3)
    length = told["quantities"]["length"]
    assert (length["count"], length["of"]) == (1, 2)
    assert length["median_off"] == pytest.approx((0.5 / 50.5 + 0.02) / 2)
    assert length["mean_off"] == pytest.approx((-0.5 / 50.5 + 0.02) / 2)
    assert set(told["quantities"]) == {"length", "spline_count"}


def test_figures_of_real_records(kept, a_case, jpeg):
    name = kept.keep(a_case(jpeg()))
    kept.keep(a_case(jpeg(1)))
    kept.confirm(name, handed_out="x", right_class="compression-screw", callipers_mm={"thread_major_diameter": 21.0})
    told = kept.figures()
    assert (told["cases"], told["confirmed"], told["class"]["right"]["count"]) == (2, 1, 1)
    assert (told["u95"]["all"]["count"], told["u95"]["all"]["of"]) == (1, 1)  # 20.93 ± 0.21 in the photo
