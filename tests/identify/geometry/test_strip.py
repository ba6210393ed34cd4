"""The best path through a strip against all paths tried one by one."""

from itertools import product

import numpy as np
import pytest

from identify.geometry.strip import follow, follow_each

RNG = np.random.default_rng(5)


def best_of_all(gain, jump, jump_cost, leap_cost):
    """The worth of the best of all paths."""

    def worth(path):
        moves = np.abs(np.diff(path))
        costs = np.where(moves > jump, leap_cost, np.minimum(moves * jump_cost, leap_cost))
        return gain[np.arange(len(gain)), path].sum() - costs.sum()

    return max(worth(np.array(path)) for path in product(range(gain.shape[1]), repeat=len(gain))), worth


@pytest.mark.parametrize("leap_cost", [np.inf, 0.4])
@pytest.mark.parametrize("seed", range(4))
def test_no_path_is_worth_more(seed, leap_cost):
    gain = np.random.default_rng(seed).random((5, 6))
    most, worth = best_of_all(gain, 1, 0.3, leap_cost)
    path = follow(gain, jump=1, jump_cost=0.3, leap_cost=leap_cost)
    assert worth(path) == pytest.approx(most)


def test_strips_side_by_side_do_not_touch():
    gains = RNG.random((3, 80, 17))
    gains[1, :, -1] += 5.0  # the best of one strip runs along the border with the next
    gains[2, :, 0] -= 5.0
    for leap_cost in (np.inf, 0.7):
        together = follow_each(gains, jump=3, jump_cost=0.05, leap_cost=leap_cost)
        apart = [follow(gain, jump=3, jump_cost=0.05, leap_cost=leap_cost) for gain in gains]
        assert (together == np.array(apart)).all()
    assert (together[1] == 16).all()


def test_closed_path_ends_where_it_began():
    turn = 2 * np.pi * np.arange(120) / 120
    place = np.round(20 + 6 * np.sin(turn)).astype(int)
    gain = np.zeros((120, 41))
    gain[np.arange(120), place] = 1.0
    assert (follow(gain, jump=3, jump_cost=0.05, leap_cost=2.0, closed=True) == place).all()
