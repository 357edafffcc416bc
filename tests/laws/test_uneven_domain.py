"""Uneven beds over the whole domain: no failure, everything finite, water and heat balanced, tenths in their order.

COOLSIM_UNEVEN=2000 in the environment tries that many coolers, and a twentieth of that many lines.
"""

from __future__ import annotations

import dataclasses
import os

import numpy as np
from laws.domain import sample
from laws.line_domain import random_lines

from coolsim import Case
from coolsim.case.case import Batch, Line
from coolsim.case.result import Result
from coolsim.model.columns import MOST
from coolsim.simulate.prediction import (
    predict,  # behind the public door: some belts are longer than any scenario has
)

CASES = int(os.environ.get("COOLSIM_UNEVEN", "60"))


def deviating(cases: list[Case], seed: int) -> list[Case]:
    """Each with deviations of its own, up to the largest; a fifth of them none in one way or the other."""
    rng = np.random.default_rng(seed)
    return [dataclasses.replace(c, cooler=_deviating(c.cooler, rng)) for c in cases]


def _deviating(cooler, rng: np.random.Generator):
    if isinstance(cooler, Line):
        stages = (dataclasses.replace(s, cooler=_deviating(s.cooler, rng)) for s in cooler.stages)
        return Line(tuple(stages))
    depth, speed = (MOST * rng.random() * (rng.random() > 0.2) for _ in range(2))
    as_length = rng.random() > 0.5
    found = {
        "depth_deviation_length" if as_length else "depth_deviation": depth
        * (cooler.bed_depth if as_length else 1)
    }
    if not isinstance(cooler, Batch):
        found["speed_deviation"] = speed
    return dataclasses.replace(cooler, **found)


def assert_sound(result: Result, count: int) -> None:
    out, told, accuracy = result.pellets_out, result.between_pellets, result.accuracy
    assert np.abs(accuracy.water_imbalance).max() < 1e-8 and np.abs(accuracy.energy_imbalance).max() < 1e-8
    for values in (
        out.moisture_wb,
        out.temperature,
        result.after_equalising.water_activity,
        result.bed.lift_off,
    ):
        assert np.isfinite(values).all() and len(values) == count
    low, high = told.moisture_wb.T
    assert np.all((low <= high + 1e-12) & (high <= told.wettest_tenth.moisture_wb + 1e-12) & (low >= 0))
    assert np.all(told.wettest_tenth.moisture_wb >= out.moisture_wb - 1e-9)
    assert np.all(
        told.warmest_tenth.temperature >= out.temperature - 0.05
    )  # a mean of heat, not of temperature
    assert np.isfinite(told.wettest_tenth.water_activity).all()


def test_no_uneven_cooler_of_the_domain_fails():
    assert_sound(predict(deviating(sample(CASES, seed=41), seed=42)), CASES)


def test_no_line_of_uneven_machines_fails():
    count = max(CASES // 20, 3)
    lines = deviating(random_lines(count, seed=43), seed=44)
    for case in lines:
        result = predict(case)
        assert abs(result.accuracy.water_imbalance) < 1e-8 and abs(result.accuracy.energy_imbalance) < 1e-8
        assert np.isfinite(result.pellets_out.moisture_wb)
