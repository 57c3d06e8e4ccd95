"""The verdict rule, case by case."""

from __future__ import annotations

import pytest

from thermlab.compare.verdict import decide, is_equivalent


@pytest.mark.parametrize(
    ("interval", "equivalent", "verdict", "note"),
    [
        ((-3.0, -1.1), False, "cooler by more than the margin", ""),
        ((1.1, 3.0), False, "warmer by more than the margin", ""),
        ((-0.5, 0.4), True, "equivalent within the margin", ""),
        ((-0.9, -0.1), True, "equivalent within the margin", "cooler, but by less than the margin"),
        ((0.1, 0.9), True, "equivalent within the margin", "warmer, but by less than the margin"),
        ((-1.5, -0.2), False, "cooler", ""),
        ((0.2, 1.5), False, "warmer", ""),
        ((-2.0, 0.5), False, "undecided", ""),
        # An end exactly at a limit does not lie beyond it.
        ((-3.0, -1.0), False, "cooler", ""),
        ((1.0, 3.0), False, "warmer", ""),
        ((-2.0, 0.0), False, "undecided", ""),
        ((0.0, 2.0), False, "undecided", ""),
        # The simultaneous interval may leave the margin although both one-sided tests pass.
        ((-1.05, 0.3), True, "equivalent within the margin", ""),
        # More than the margin comes before equivalence.
        ((-3.0, -1.1), True, "cooler by more than the margin", ""),
    ],
)
def test_first_rule_that_holds(interval, equivalent, verdict, note):
    assert decide(interval, equivalent, 1.0) == (verdict, note)


@pytest.mark.parametrize(
    ("interval", "expected"),
    [
        ((-0.99, 0.99), True),
        ((-1.0, 0.5), False),
        ((-0.5, 1.0), False),
        ((-0.2, 0.1), True),
        ((2.0, 3.0), False),
    ],
)
def test_equivalence_is_strict(interval, expected):
    assert is_equivalent(interval, 1.0) is expected


def test_mirror_image():
    for interval in ((-3.0, -1.1), (-1.5, -0.2), (-0.9, -0.1), (-2.0, 0.5)):
        for equivalent in (False, True):
            here, there = (
                decide(interval, equivalent, 1.0),
                decide((-interval[1], -interval[0]), equivalent, 1.0),
            )
            mirrored = tuple(
                word.replace("cooler", "\0").replace("warmer", "cooler").replace("\0", "warmer") for word in here
            )
            assert mirrored == there
