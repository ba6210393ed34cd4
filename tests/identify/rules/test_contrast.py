"""What tells two classes apart, from the checks that ask for the class."""

from identify import tables
from identify.rules.contrast import contrasts


def test_any_two_parts_are_told_apart_by_different_words():
    parts = [name for name, row in tables.load().classes.items() if row.part]
    for first in parts:
        for second in parts:
            found = contrasts(first, second)
            assert found
            assert all((each.first != each.second) == (first != second) for each in found)


def test_the_other_way_round_says_the_same():
    first, second = [name for name, row in tables.load().classes.items() if row.part][:2]
    there, back = contrasts(first, second), contrasts(second, first)
    assert [(each.question, each.second, each.first) for each in back] == [
        (each.question, each.first, each.second) for each in there
    ]
