"""Counting teeth by size: the sums by hand, and one run of drawn ends."""

import json

import pytest

from training.measure_stems import NONE, Count, main, summary


def test_the_sums_by_hand() -> None:
    counts = [Count(120, 20, 20), Count(120, 24, 23), Count(120, 18, None), Count(120, 18, 18), Count(120, NONE, None),
              Count(60, NONE, 8)]  # fmt: skip
    small, large = summary(counts)
    assert large["splined"] == 4
    assert large["without_teeth"] == 1
    assert large["counted"] == pytest.approx(0.75)
    assert large["counted_right"] == pytest.approx(0.5)
    assert large["exact"] == pytest.approx(2 / 3)
    assert large["wrong_at_most"] == pytest.approx(0.8646, abs=1e-3)  # 1 of 3: (1-p)^3 + 3 p (1-p)^2 = 0.05
    assert (small["given"], small["wrong"], small["exact"]) == (1, 1, 0.0)
    assert small["counted"] is None


def test_large_drawn_ends_are_counted_exactly_and_tiny_ones_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--drawn", "4", "--px", "26", "160"]) == 0
    tiny, large = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert large["counted"] >= 0.7
    assert large["wrong"] == 0
    assert tiny["wrong"] == 0
    assert tiny["given"] == 0
