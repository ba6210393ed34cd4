"""Expected gain against a hand-worked value and against the whole joint distribution written out."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from identify import rules, tables
from identify.model import Recognition
from identify.rules.belief import attributes, believe, entropy_bits, sizes
from identify.rules.evidence import gather, meanings
from identify.rules.likelihood import density, row_spread
from identify.rules.questions import checks, gain_bits
from identify.tables.advice import CheckRow
from identify.tables.rows import CandidateRow

T = tables.load()
SCENES = [
    ("compression-screw", [("thread_major_diameter", 20.9)], {}, {}),
    ("compression-screw", [], {"spindle": ("exposed", 0.9)}, {"size-pattern": "15 mm heavy"}),
    ("single-lever-cartridge", [("body_diameter", 46.2)], {"base": ("flat", 0.8)}, {}),
    ("quarter-turn-ceramic", [("thread_major_diameter", 26.2), ("spline_count", 20.0)], {}, {}),
    ("unsure", [], {}, {}),
    ("none", [], {}, {}),
]


def scene(recognise, measure, name, measured, varieties, answers):
    evidence = gather(recognise(name, 0.9, varieties), [measure(*one) for one in measured], answers, T)
    return believe(evidence, T)


def brute_force(row, belief):
    """Mutual information of answer and state by writing the joint distribution out, state by state."""
    noise, tell = T.setting("answer_noise"), 1 - T.setting("cant_tell")
    if row.kind == "number":
        values = list(
            dict.fromkeys(size[row.decides] for size in (sizes(r, T) for r in belief.rows) if row.decides in size)
        )
    else:
        values = list(meanings(row))
    if not values:
        return 0.0
    joint = []

    def told(truth):
        if truth not in values:
            return [1 / len(values)] * len(values)
        if row.kind == "choice":
            return [1 - noise if v == truth else noise / (len(values) - 1) for v in values]
        spread = math.hypot(row.u95 / 2, row_spread(*truth))
        near = [density(sum(v) / 2, spread, *truth) for v in values]
        return [(1 - noise) * n / sum(near) + noise / len(values) for n in near]

    for share, line, options in zip(belief.p, belief.rows, belief.options, strict=False):
        names = list(options)
        for combination in itertools.product(*(options[name].items() for name in names)):
            p = share * math.prod(weight for _, weight in combination)
            known = {name: value for name, (value, _) in zip(names, combination, strict=True)}
            known |= attributes(line, T) | {"class": line.class_id} | sizes(line, T)
            joint.append([p * a for a in told(known.get(row.decides))])
    for name, share in belief.other_classes.items():
        joint.append([belief.p[-1] * share * a for a in told(name if row.decides == "class" else None)])
    table = np.array(joint)
    gain = entropy_bits(table.sum(0)) + entropy_bits(table.sum(1)) - entropy_bits(table.ravel())
    return gain * tell


@pytest.mark.parametrize("given_", SCENES, ids=lambda given_: f"{given_[0]}-{len(given_[1])}-{len(given_[3])}")
def test_gain_agrees_with_the_whole_joint_distribution(recognise, measure, given_):
    belief = scene(recognise, measure, *given_)
    for row in T.checks.values():
        assert gain_bits(row, belief, T) == pytest.approx(brute_force(row, belief), abs=1e-9), row.id


@pytest.mark.parametrize("given_", SCENES, ids=lambda given_: f"{given_[0]}-{len(given_[1])}-{len(given_[3])}")
def test_gain_lies_between_zero_and_the_entropy(recognise, measure, given_):
    belief = scene(recognise, measure, *given_)
    for row in T.checks.values():
        assert 0.0 <= gain_bits(row, belief, T) <= belief.entropy_bits + 1e-12, row.id


@pytest.mark.parametrize(
    ("p", "bits"), [([0.5, 0.5], 1.0), ([1.0, 0.0], 0.0), ([0.25] * 4, 2.0), ([0.04, 0.96], 0.242292)]
)
def test_entropy(p, bits):
    assert entropy_bits(p) == pytest.approx(bits, abs=1e-6)


def test_checks_come_by_gain_per_minute(recognise, measure):
    for name in ("compression-screw", "single-lever-cartridge", "unsure"):
        found = rules.judge(recognise(name), [measure("thread_major_diameter", 20.9)]).checks
        rates = [check.gain_bits / check.effort for check in found]
        assert rates == sorted(rates, reverse=True)
        assert len({check.id for check in found}) == len(found)


def test_an_answered_check_is_not_asked_again(recognise):
    for answer in ("15 mm heavy", "can't tell"):
        found = rules.judge(recognise("compression-screw"), [], answers={"size-pattern": answer}).checks
        assert "size-pattern" not in [check.id for check in found]


def test_a_check_tells_how_to_answer_it(recognise):
    for check in rules.judge(recognise("unsure"), []).checks:
        assert check.question.endswith("?")
        assert check.how
        assert check.why
        assert not check.answers or check.answers[-1] == "can't tell"
        assert bool(check.answers) == (T.checks[check.id].kind == "choice")


@pytest.mark.parametrize(
    ("name", "blocking"),
    [
        ("compression-screw", {"size-pattern", "seat", "drive", "spindle-direction", "spindle-reach"}),
        ("single-lever-cartridge", {"pegs-and-ring"}),
        ("thermostatic", {"sides", "hot-enough", "strainers", "element"}),
        ("sensor", {"voltage"}),
    ],
)
def test_what_belongs_before_any_order_is_always_asked(recognise, name, blocking):
    assert blocking <= {check.id for check in rules.judge(recognise(name, 0.999), []).checks}


def test_asking_on_settles_a_part_in_few_questions(recognise, measure):
    """Answering by the truth, always the first check: the right row leads and no check is asked twice."""
    truth = {
        "base-form": "raised",
        "body-callipers": "47.0",
        "action": "one lever for flow and heat",
        "hot-limit-ring": "no",
        "outlet-form": "through the base",
        "lever-motion": "no",
        "thread-pitch": "can't tell",
    }
    answers: dict[str, str] = {}
    for _ in range(6):
        verdict = rules.judge(recognise("unsure"), [measure("body_diameter", 46.4, 1.0)], answers=answers)
        if verdict.candidates[0].probability >= 0.95:
            break
        check = verdict.checks[0]
        assert check.id not in answers
        answers[check.id] = truth.get(check.id, "can't tell")
    row = T.candidates[verdict.candidates[0].id]
    assert (row.ranges["body_diameter"], row.attributes["base"]) == (pytest.approx((46.7, 47.3)), ("raised",))


def catalogue(codes):
    """Rows told apart by yes-or-no attributes a to d; answers without noise, users who always can tell."""
    name = next(name for name, block in T.classes.items() if block.part)
    origin = {"source": "own-estimate", "evidence": "common practice", "confidence": "M"}
    letters = "abcd"
    rows = [
        CandidateRow(
            code, name, code, weight, {x: (y,) for x, y in zip(letters, code, strict=True)}, {}, "", {}, **origin
        )
        for code, weight in codes.items()
    ]
    yes_no = {"0": "0", "1": "1"}
    asked = [
        CheckRow(x, ("*",), x, "choice", f"{x}?", "-", "-", yes_no, (), None, 1.0, False, **origin) for x in letters
    ]
    values = {"class_floor": 0.0, "other_share": 1e-9, "answer_noise": 1e-9, "cant_tell": 0.0}
    changed = {key: replace(T.settings[key], value=value) for key, value in values.items()}
    own = replace(
        T,
        candidates={row.id: row for row in rows},
        checks={row.id: row for row in asked},
        settings=T.settings | changed,
    )
    return own, Recognition(name, {name: 1.0}, (name,), "lying", {}, None, "")


def optimal(codes, left):
    """Expected number of questions of the best policy, by trying every order."""
    if len(codes) == 1:
        return 0.0
    total = sum(codes.values())
    best = math.inf
    for at in left:
        parts = [{c: w for c, w in codes.items() if c[at] == bit} for bit in "01"]
        if all(parts):
            cost = 1 + sum(sum(part.values()) / total * optimal(part, left - {at}) for part in parts)
            best = min(best, cost)
    return best


@pytest.mark.parametrize(
    "codes",
    [
        {"0000": 1, "0001": 1, "0010": 1, "0011": 1, "0100": 1, "1000": 1},
        {"0000": 8, "1000": 4, "1100": 2, "1110": 1, "1111": 1},
        {"0011": 3, "0101": 3, "1001": 2, "1111": 1, "0000": 1, "0110": 1, "1010": 1},
    ],
)
def test_greedy_asks_at_most_one_question_more_than_the_best_policy(codes):
    own, seen = catalogue(codes)
    asked = 0.0
    for truth, weight in codes.items():
        answers: dict[str, str] = {}
        while True:
            evidence = gather(seen, [], answers, own)
            belief = believe(evidence, own)
            if belief.p.max() > 0.999:
                break
            check = checks(belief, evidence, own)[0]
            answers[check.id] = truth["abcd".index(check.id)]
        assert belief.rows[int(belief.p.argmax())].id == truth
        asked += weight * len(answers) / sum(codes.values())
    assert optimal(codes, frozenset(range(4))) <= asked + 1e-9
    assert asked <= optimal(codes, frozenset(range(4))) + 1
