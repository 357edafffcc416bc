"""What is given up first, by hand: violations of four kinds of constraints in four hours."""

from __future__ import annotations

import numpy as np

from coolsim.case.quantities import QUANTITIES
from coolsim.simulate.requirements import Constraint
from coolsim.studies.years.hours_given_up import given_up, grave

MOISTURE = QUANTITIES["moisture"]
ALL = [
    Constraint(MOISTURE, 0.12, of_target=True),
    Constraint(MOISTURE, 0.11, -1.0, of_target=True),
    Constraint(QUANTITIES["above_ambient"], 8.0, of_target=True),
    Constraint(QUANTITIES["lift_off"], 0.7),
]
HOURS = np.ones(4)


def lost(**broken: list[float]) -> tuple[float, ...]:
    """What is given up where constraints are broken so far in the four hours; none where not named."""
    names = ("wet", "dry", "warm", "lifted")
    table = np.array([broken.get(name, [-1.0] * 4) for name in names])
    return tuple(map(float, given_up(ALL, table, HOURS)))


def test_the_order() -> None:
    """One hour of the graver kind is worse than all hours of the next."""
    once, always = [1.0, -1.0, -1.0, -1.0], [9.0] * 4
    kinds = [lost(), lost(dry=always), lost(warm=once), lost(wet=once), lost(lifted=once)]
    assert kinds == sorted(kinds) and len(set(kinds)) == 5
    assert lost(warm=always, dry=always) < lost(wet=once) < lost(wet=always) < lost(lifted=once)


def test_of_as_many_hours_those_that_miss_by_less() -> None:
    """Half a scale and a whole one in one of four hours: 0.125 and 0.25 on average, in steps of 0.005."""
    assert lost(wet=[0.5, -1, -1, -1])[2:4] == (1.0, 25.0)
    assert lost(wet=[1.0, -1, -1, -1])[2:4] == (1.0, 50.0)


def test_hours_too_dry_are_told_apart_to_a_twentieth() -> None:
    """One of four is five twentieths; how dry it is costs money, and is counted there."""
    assert lost(dry=[0.5, -1, -1, -1])[-1] == lost(dry=[5.0, -1, -1, -1])[-1] == 5.0


def test_many_settings_at_once_and_a_margin() -> None:
    """Two settings in four hours: within the margin counts as missed."""
    table = np.stack([np.full((4, 4), -0.01), np.full((4, 4), -0.03)], axis=-1)
    hours = given_up(ALL, table, HOURS, margin=0.02)
    np.testing.assert_array_equal(hours[0], [4.0, 0.0])
    np.testing.assert_array_equal(hours[-1], [20.0, 0.0])


def test_only_too_dry_is_money() -> None:
    np.testing.assert_array_equal(grave(ALL), [True, False, True, True])
