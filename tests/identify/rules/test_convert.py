"""Conversions that are asked for: the truth table, by the common practice of the trade.

A quarter-turn or push head goes only into a 15 mm heavy-pattern body, which 20 mm light taps have too, whose seat was
never re-cut; a quarter-turn lever wants an upright spindle; a concealed body wants a long head. Back to a screw-down
head every pattern has its head and a re-cut seat is no hindrance, but a washer needs a raised seat.
"""

import pytest

from identify import tables
from identify.errors import UsageError
from identify.rules.conversions import SeatDepth, convert

T = tables.load()
SCREW, TURN, PUSH = "compression-screw", "quarter-turn-ceramic", "push-non-hold-open"
HEAVY, LIGHT, LIGHT_20, HEAVY_20 = "15 mm heavy", "15 mm light", "20 mm light", "20 mm heavy"
GOOD = {"size-pattern": HEAVY, "seat": "never", "spindle-direction": "upright", "spindle-reach": "no"}
NO_SEAT = {name: answer for name, answer in GOOD.items() if name != "seat"}
BACK = {"size-pattern": HEAVY, "seat-edge": "a raised ring", "spindle-reach": "no"}

# from, to, answers, seat and head depth [mm], verdict, word of the first reason
TRUTH = [
    (SCREW, TURN, GOOD, None, "fits", "heavy"),
    (SCREW, TURN, GOOD | {"size-pattern": LIGHT_20}, None, "fits", "heavy"),  # 20 mm light takes the 15 mm heavy head
    (SCREW, TURN, GOOD | {"size-pattern": LIGHT}, None, "does not fit", "light-pattern"),
    (SCREW, TURN, GOOD | {"size-pattern": HEAVY_20}, None, "does not fit", "Not a 15 mm"),
    (SCREW, TURN, GOOD | {"seat": "re-cut or pitted"}, None, "does not fit", "re-cut"),
    (SCREW, TURN, GOOD | {"spindle-direction": "level"}, None, "does not fit", "weight"),
    (SCREW, TURN, GOOD | {"spindle-reach": "yes"}, None, "check first", "long-stem"),
    (SCREW, TURN, GOOD | {"spindle-reach": "yes", "seat": "re-cut or pitted"}, None, "does not fit", "re-cut"),
    (SCREW, TURN, GOOD | {"size-pattern": "can't tell"}, None, "check first", "size pattern"),
    (SCREW, TURN, GOOD | {"spindle-direction": "can't tell"}, None, "check first", "upright"),
    (SCREW, TURN, NO_SEAT, None, "check first", "shoulder to seat"),
    (SCREW, TURN, {}, None, "check first", "size pattern"),
    (SCREW, TURN, NO_SEAT, (31.0, 31.0), "fits", "heavy"),
    (SCREW, TURN, NO_SEAT, (31.2, 31.0), "fits", "heavy"),
    (SCREW, TURN, NO_SEAT, (31.5, 31.0), "check first", "measure both again"),
    (SCREW, TURN, NO_SEAT, (32.0, 31.0), "does not fit", "1.0 mm deeper"),  # re-cut: the new head ends short
    (SCREW, TURN, NO_SEAT, (34.0, 31.0), "does not fit", "3.0 mm deeper"),
    (SCREW, TURN, NO_SEAT, (29.5, 31.0), "check first", "1.5 mm higher"),
    (SCREW, TURN, {"size-pattern": LIGHT}, (31.0, 31.0), "does not fit", "light-pattern"),
    (SCREW, TURN, {"spindle-direction": "level"}, (31.0, 31.0), "does not fit", "weight"),
    (SCREW, PUSH, GOOD, None, "fits", "heavy"),
    (SCREW, PUSH, GOOD | {"size-pattern": LIGHT_20}, None, "fits", "heavy"),
    (SCREW, PUSH, GOOD | {"spindle-direction": "level"}, None, "fits", "heavy"),  # a push head has no lever
    (SCREW, PUSH, GOOD | {"size-pattern": LIGHT}, None, "does not fit", "light-pattern"),
    (SCREW, PUSH, GOOD | {"seat": "re-cut or pitted"}, None, "does not fit", "re-cut"),
    (SCREW, PUSH, NO_SEAT, (32.5, 31.0), "does not fit", "1.5 mm deeper"),
    (SCREW, PUSH, NO_SEAT, (31.1, 31.0), "fits", "heavy"),
    (SCREW, PUSH, GOOD | {"spindle-reach": "yes"}, None, "check first", "concealed"),
    (TURN, SCREW, BACK, None, "fits", "size pattern"),
    (TURN, SCREW, BACK | {"seat": "re-cut or pitted"}, None, "fits", "size pattern"),  # a washer follows the seat
    (TURN, SCREW, BACK | {"spindle-direction": "level"}, None, "fits", "size pattern"),  # the cure of a level lever
    (TURN, SCREW, BACK | {"size-pattern": LIGHT}, None, "fits", "size pattern"),
    (TURN, SCREW, BACK | {"seat-edge": "a flat floor"}, None, "does not fit", "made for a ceramic head"),
    (TURN, SCREW, BACK | {"spindle-reach": "yes"}, None, "check first", "long-spindle"),
    (TURN, SCREW, {}, None, "check first", "size pattern"),
    (PUSH, SCREW, BACK, None, "fits", "size pattern"),
    (PUSH, SCREW, BACK | {"seat-edge": "a flat floor"}, None, "does not fit", "flat"),
]


@pytest.mark.parametrize(("start", "to", "answers", "depths", "verdict", "word"), TRUTH)
def test_truth_table(start, to, answers, depths, verdict, word):
    found = convert(start, to, answers, depth=SeatDepth(*depths) if depths else None)
    assert found.conversion.verdict == verdict
    assert word in found.conversion.reasons[0]
    assert len(found.conversion.reasons) == sum((r.from_class, r.to) == (start, to) for r in T.conversions.values())


@pytest.mark.parametrize(("start", "to"), [(SCREW, TURN), (SCREW, PUSH), (TURN, SCREW), (PUSH, SCREW)])
def test_it_asks_for_what_is_not_known_and_for_nothing_else(start, to):
    asked = convert(start, to, {}).checks
    wanted = {row.attribute for row in T.conversions.values() if (row.from_class, row.to) == (start, to)}
    assert {row.decides for row in asked} == wanted
    first = asked[0]
    later = convert(start, to, {first.id: next(iter(first.answers))}).checks
    assert [row.id for row in later] == [row.id for row in asked[1:]]


def test_a_measured_depth_is_not_asked_for():
    asked = convert(SCREW, TURN, {}, depth=SeatDepth(31.0, 31.0)).checks
    assert "seat" not in {row.decides for row in asked}
    assert "spindle_direction" in {row.decides for row in asked}


@pytest.mark.parametrize("excess_mm", [0.05 * step for step in range(-60, 61)])
def test_a_deeper_seat_never_turns_the_verdict_back(excess_mm):
    """Fits, check, does not fit: in this order as the seat lies deeper."""
    order = ("fits", "check first", "does not fit")
    here, deeper = (
        order.index(convert(SCREW, TURN, NO_SEAT, depth=SeatDepth(31.0 + e, 31.0)).conversion.verdict)
        for e in (excess_mm, excess_mm + 0.05)
    )
    assert here <= deeper or excess_mm < -0.1


def test_cautions_and_sources_come_with_every_answer():
    for start, to in {(row.from_class, row.to) for row in T.conversions.values()}:
        found = convert(start, to, {})
        texts = {caution.text for caution in found.cautions}
        assert {row.text for row in T.cautions.values() if row.general} <= texts
        assert {T.cautions[name].text for name in T.classes[start].cautions} <= texts
        assert found.sources


@pytest.mark.parametrize(
    ("start", "to", "answers", "depths", "said"),
    [
        (SCREW, "sensor", {}, None, "known: compression-screw to quarter-turn-ceramic"),
        ("sensor", TURN, {}, None, "No conversion from sensor"),
        (SCREW, TURN, {"seat": "never"}, (31, 31), "told twice"),
        (TURN, SCREW, {}, (31, 31), "decides nothing"),
        (SCREW, TURN, {"seat": "purple"}, None, "purple"),
        (SCREW, TURN, {"seatt": "never"}, None, "seatt"),
        (SCREW, TURN, {}, (0.0, 31), "0 mm"),
        (SCREW, TURN, {}, (31, float("nan")), "nan"),
        (SCREW, TURN, {}, (1.22, 31), "1.22 mm"),  # inches
    ],
)
def test_wrong_use_is_told(start, to, answers, depths, said):
    with pytest.raises(UsageError, match=said):
        convert(start, to, answers, depth=SeatDepth(*depths) if depths else None)
