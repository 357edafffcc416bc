"""Chains crossed by a stream, many cases at once: one that cannot be solved must not take others along."""

import dataclasses
from typing import Any

import numpy as np
import pytest

from coolsim.numerics.crossed import Crossed, Residuals, solve

CASES, CHAINS, LINKS = 3, 4, 5


def random_system() -> tuple[Crossed, Residuals]:
    rng = np.random.default_rng(7)
    per_chain = {
        "lower": (LINKS, 2),
        "diagonal": (LINKS, 2),
        "upper": (LINKS, 2),
        "last_by_first": (2,),
        "links_by_second": (LINKS, 2),
        "weight": (LINKS, 2),
        "points": (6, 6),
        "points_by_functionals": (6, 6),
        "points_by_air": (6, 4),
        "passed_by_points": (4, 6),
        "passed_by_last": (4, 2),
        "passed_by_air": (4, 4),
        "enthalpy_by_air": (2, 2),
    }
    arrays = {name: rng.normal(size=(CASES, CHAINS, *shape)) for name, shape in per_chain.items()}
    arrays["diagonal"] += 10.0
    arrays |= {"mass": rng.uniform(1, 2, (CASES, LINKS)), "inlet_by_outlet": rng.normal(size=(CASES, 4, 4))}
    shapes = ((CHAINS, LINKS, 2), (CHAINS, 6), (CHAINS, 4), (4,))
    return Crossed(**arrays), Residuals(*(rng.normal(size=(CASES, *shape)) for shape in shapes))


@pytest.mark.parametrize("spoilt", [0, 1, 2])
@pytest.mark.parametrize("by", [np.nan, np.inf, 0.0])
def test_a_case_without_solution_is_alone_with_it(spoilt: int, by: float) -> None:
    """By the same case solved by itself; `by` 0 makes all of one link's equation vanish: singular."""
    system, residuals = random_system()
    broken = {name: getattr(system, name).copy() for name in ("mass", "lower", "diagonal", "upper")}
    for array in broken.values():
        array[spoilt] = by
    spoilt_system = dataclasses.replace(system, **broken)
    with np.errstate(all="ignore"):
        together = solve(spoilt_system, residuals)
    for b in {0, 1, 2} - {spoilt}:
        by_itself = solve(*(alone(part, b) for part in (system, residuals)))
        for found, expected in zip(vars(together).values(), vars(by_itself).values()):
            np.testing.assert_allclose(found[b], expected[0], rtol=1e-9, atol=1e-12)
    assert not np.isfinite(together.links[spoilt]).any()


def alone(part: Any, b: int) -> Any:
    """One case of arrays that lead with it."""
    return type(part)(*(array[b : b + 1] for array in vars(part).values()))
