"""The conditioner before any machine, as something to set: its water and its temperature.

It belongs to no machine of a line. Its water costs nothing, its steam counts as heat, where [limits] opens either.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.simulate.feed_following import conditioned_as, heat_of_steam
from coolsim.support.fields import Array

WATER, TEMPERATURE = "conditioning_water", "conditioning_temperature"
KEYS: Mapping[str, str] = {WATER: "water", TEMPERATURE: "temperature"}  # fields of [conditioning]
HELD = "the conditioner stays as it is here, though [limits] opens it: `coolsim settings` sets it."


def ranges(case: Case) -> dict[str, tuple[float, float]]:
    """Ranges that [limits] opens, of what may be set on the conditioner."""
    given = case.limits.given()
    return {name: tuple(given[name]) for name in KEYS if name in given}


def present(case: Case) -> tuple[str, ...]:
    """What may be set on it: what is set there today, and what is opened."""
    if not case.conditioning or case.arrival is None:
        return ()
    return tuple(
        name for name, key in KEYS.items() if name in ranges(case) or getattr(case.conditioning, key)
    )


def set_so(case: Case, values: Mapping[str, Any]) -> tuple[Case, dict[str, Any]]:
    """The case with its conditioner set so, and what else there is to set."""
    own = {key: float(values[name]) for name, key in KEYS.items() if name in values}
    return conditioned_as(case, own), {name: x for name, x in values.items() if name not in KEYS}


def read(case: Case) -> dict[str, float]:
    """How it is set."""
    steam = case.conditioning
    hot = np.nan if steam.temperature is None else float(steam.temperature)
    return {WATER: float(steam.water or 0.0), TEMPERATURE: hot}


def held(case: Case) -> Case:
    """The case with its conditioner left as it is, for questions that do not set it."""
    if not ranges(case):
        return case
    return dataclasses.replace(case, limits=dataclasses.replace(case.limits, **dict.fromkeys(KEYS)))


def steam(case: Case, cases: Sequence[Case]) -> Any:
    """Heat of the steam [J] per kg of dry solid, of each of some settings of a case; 0 where none may be set."""
    return heat_of_steam(cases) if ranges(case) else 0.0


def steam_per_feed(cases: Sequence[Case]) -> Array:
    """The same per kg of the wet feed that cases have, be it one that has not yet followed its conditioner."""
    if not any(ranges(case) for case in cases):
        return np.zeros(len(cases))
    wet = np.array([case.feed.moisture for case in cases])
    return np.asarray(steam(cases[0], cases) * (1 - wet))
