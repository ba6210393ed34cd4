"""Conversions: the truth table, by the common practice of the trade."""

import itertools

import pytest

from identify import rules, tables

T = tables.load()
FROM = "compression-screw"
TURN, PUSH = "quarter-turn-ceramic", "push-non-hold-open"

# pattern, seat, spindle direction, concealed?, verdict for a quarter-turn head, verdict for a push head
TRUTH = [
    ("15 mm heavy", "never", "upright", "no", "fits", "fits"),
    ("20 mm light", "never", "upright", "no", "fits", "fits"),  # the 15 mm heavy head also serves 20 mm light
    ("15 mm light", "never", "upright", "no", "does not fit", "does not fit"),
    ("20 mm heavy", "never", "upright", "no", "does not fit", "does not fit"),
    ("15 mm heavy", "re-cut or pitted", "upright", "no", "does not fit", "does not fit"),
    ("15 mm heavy", "never", "level", "no", "does not fit", "fits"),
    ("15 mm heavy", "never", "upright", "yes", "check first", "check first"),
    ("15 mm heavy", "never", "level", "yes", "does not fit", "check first"),
    ("15 mm light", "re-cut or pitted", "level", "yes", "does not fit", "does not fit"),
    ("15 mm light", None, None, None, "does not fit", "does not fit"),
    ("20 mm heavy", None, None, None, "does not fit", "does not fit"),
    ("15 mm heavy", None, None, None, "check first", "check first"),
    ("20 mm light", None, None, None, "check first", "check first"),
    (None, "never", None, None, "check first", "check first"),
    (None, "re-cut or pitted", None, None, "does not fit", "does not fit"),
    (None, None, "upright", None, "check first", "check first"),
    (None, None, "level", None, "does not fit", "check first"),
    (None, None, None, "no", "check first", "check first"),
    (None, None, None, "yes", "check first", "check first"),
    (None, None, None, None, "check first", "check first"),
    ("15 mm heavy", "never", "upright", None, "check first", "check first"),
    ("15 mm heavy", "never", None, "no", "check first", "fits"),
    ("15 mm heavy", None, "upright", "no", "check first", "check first"),
    (None, "never", "upright", "no", "check first", "check first"),
    ("15 mm heavy", "never", "can't tell", "no", "check first", "fits"),
    ("can't tell", "never", "upright", "no", "check first", "check first"),
    ("15 mm heavy", "can't tell", "upright", "no", "check first", "check first"),
    ("15 mm light", "can't tell", "can't tell", "can't tell", "does not fit", "does not fit"),
]


def verdicts(recognition, **told):
    answers = {name.replace("_", "-"): answer for name, answer in told.items() if answer}
    return {one.to: one for one in rules.judge(recognition, [], answers=answers).conversions}


@pytest.mark.parametrize(("pattern", "seat", "direction", "concealed", "turn", "push"), TRUTH)
def test_truth_table(recognise, pattern, seat, direction, concealed, turn, push):
    found = verdicts(
        recognise(FROM), size_pattern=pattern, seat=seat, spindle_direction=direction, spindle_reach=concealed
    )
    assert (found[TURN].verdict, found[PUSH].verdict) == (turn, push)


def test_never_a_bare_verdict(recognise):
    choices = [
        (None, *T.checks[name].answers) for name in ("size-pattern", "seat", "spindle-direction", "spindle-reach")
    ]
    for pattern, seat, direction, concealed in itertools.product(*choices):
        told = {"size_pattern": pattern, "seat": seat, "spindle_direction": direction, "spindle_reach": concealed}
        for one in verdicts(recognise(FROM), **told).values():
            assert one.verdict in ("fits", "does not fit", "check first")
            assert all(reason.endswith(".") for reason in one.reasons)
            assert len(one.reasons) == (4 if one.to == TURN else 3)


def test_the_reason_that_decides_comes_first(recognise):
    found = verdicts(recognise(FROM), size_pattern="15 mm heavy", seat="re-cut or pitted", spindle_direction="upright")
    assert "re-cut" in found[TURN].reasons[0]


@pytest.mark.parametrize(("sure", "asked"), [(0.99, False), (0.80, True)])
def test_the_photo_counts_only_when_it_is_sure(recognise, sure, asked):
    seen = recognise(FROM, 0.95, {"spindle": ("exposed", sure)})
    reasons = " ".join(verdicts(seen, size_pattern="15 mm heavy", seat="never")[TURN].reasons)
    assert ("depth of plaster" in reasons) is asked


def test_flat_and_raised_bases_never_interchange(recognise):
    found = rules.judge(recognise("single-lever-cartridge"), []).conversions
    assert [one.verdict for one in found] == ["does not fit"]
    assert "do not interchange" in found[0].reasons[0]


@pytest.mark.parametrize("name", ["thermostatic", "sensor", "none"])
def test_no_conversion_is_promised_for_other_classes(recognise, name):
    assert rules.judge(recognise(name), []).conversions == ()
