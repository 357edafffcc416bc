"""Settings on their dials against every combination of steps around them, each predicted on the same mesh."""

from __future__ import annotations

import dataclasses
import os
from itertools import product

import numpy as np
import pytest
from shipped import level
from studies.pig_pellets import BATCH, FEED
from studies.random_plants import look as weighed
from studies.random_plants import on_the_coarse_mesh, predicted, problem
from studies.set_so import set_so

import coolsim
from coolsim.case.quantities import QUANTITIES
from coolsim.machines import Setting
from coolsim.scenario import loads

COUNT = int(os.environ.get("COOLSIM_PROBLEMS", "6"))
ROUND = [digit * 10.0**k for k in range(-2, 5) for digit in (1, 2, 2.5, 5)]  # m³/h
AROUND = 8  # steps to either side
WORSE, WORSE_OF_BATCHES = 1.01, 1.025
KWH = 3.6e6


def steps(value: float, step: float, low: float, high: float) -> np.ndarray:
    """Steps of a dial around a value, and the ends of what is allowed where they are near."""
    on = step * (round(value / step) + np.arange(-AROUND, AROUND + 1))
    ends = [end for end in (low, high) if abs(end - value) <= AROUND * step]
    return np.array([*on[(on >= low - 1e-12) & (on <= high + 1e-12)], *ends])


# What typing a printed number back may move, and the search keeps free: .0002 points, 2 mK, 4e-5 of lift-off.
FREE = np.array([4e-5, 0.0, 0.0, 2e-6, 0.002])  # fan and exhaust are not in the way of these plants


@pytest.mark.thorough
@pytest.mark.parametrize("seed", range(6, 6 + COUNT))
def test_no_combination_around_is_cheaper_by_more_than_a_percent(seed: int) -> None:
    """Airflow in round steps of half a percent of its highest or more, depth in centimetres: all 289."""
    p = problem(seed)
    if not p.answer.met:
        return
    found = on_the_coarse_mesh(p.case, on_dial=True)
    limits, dial = p.case.limits, found.settings
    half_percent = 0.005 * 3600 * limits.airflow[1]  # m³/h
    flow, depth = min(x for x in ROUND if x >= half_percent - 1e-9) / 3600, 0.01
    for value, step, ends in (
        (dial.airflow, flow, limits.airflow),
        (dial.bed_depth, depth, limits.bed_depth),
    ):
        on = value / step
        assert min(abs(on - round(on)), *(abs(value - end) / step for end in ends)) < 1e-6
    at = np.array(
        [
            (V, L, p.case.air.temperature)
            for V, L in product(
                steps(p.answer.settings.airflow, flow, *limits.airflow),
                steps(p.answer.settings.bed_depth, depth, *limits.bed_depth),
            )
        ]
    )
    looked = weighed(p.case, at, predicted(p.case, at))
    kept = looked.keeps(p.case, within=-FREE)
    assert found.exact_cost == pytest.approx(float(p.answer.cost.total), rel=1e-6)
    if kept.any():
        assert found.met
        assert found.cost.total <= WORSE * looked.cost[kept].min() + 1e-6


@pytest.mark.thorough
def test_of_a_batch_none_is_cheaper_by_more_than_two_and_a_half_percent() -> None:
    """Half kelvins and half minutes: all 81 combinations around, by `predict`, priced by hand per tonne."""
    case = loads(FEED + BATCH + '[limits]\ninlet_air_temperature = ["50 degC", "110 degC"]\n'
        'duration = ["5 min", "60 min"]\n')  # fmt: skip
    found, exact = coolsim.find_settings(case), coolsim.find_settings(case, on_dial=False)
    s, best = found.settings, exact.settings
    assert 2 * s.inlet_air_temperature == pytest.approx(round(2 * s.inlet_air_temperature), abs=1e-6)
    assert s.duration / 30 == pytest.approx(round(s.duration / 30), abs=1e-6)
    hot = (round(2 * best.inlet_air_temperature) + np.arange(-4, 5)) / 2
    times = 30.0 * (round(best.duration / 30) + np.arange(-4, 5))
    grid = [
        set_so(case, dataclasses.replace(best, inlet_air_temperature=float(T), duration=float(t)))
        for T, t in product(hot[(hot >= 50) & (hot <= 110)], times)
    ]
    out = coolsim.predict(grid)
    M, mass = out.pellets_out.moisture_wb, 0.4 * case.feed.bulk_density
    costs = 1000 / mass * (0.06 * out.energy.heat + 0.15 * out.energy.fan) / KWH
    costs = costs + 0.4 * 820 * (1 / 0.87 - 1 / (1 - np.minimum(M, 0.13)))
    assert found.met and (M <= 0.13).any()
    assert found.cost.per_tonne <= WORSE_OF_BATCHES * costs[M <= 0.13].min()


def test_a_dial_has_its_steps_and_its_ends() -> None:
    """By hand: between 7.3 and 12 in steps of 2 are 8, 10 and 12; 7.3 was typed, so it can be had."""
    s = Setting(QUANTITIES["airflow"], 7.3, 12.0, 2.0)
    np.testing.assert_allclose(s.on_dial(0.0, 100.0), [7.3, 8.0, 10.0, 12.0])
    np.testing.assert_allclose(s.on_dial(7.9, 10.5), [8.0, 10.0])
    np.testing.assert_allclose(s.on_dial(8.5, 9.5), [8.5])


def test_what_is_pinned_stays_pinned_on_the_dial() -> None:
    """Time may be set, the air is held at 71 °C, off its half kelvins and away from what the scenario has."""
    case = loads(FEED + BATCH + '[limits]\ninlet_air_temperature = ["71.3 degC", "71.3 degC"]\n'
        'duration = ["5 min", "60 min"]\n')  # fmt: skip
    found = coolsim.find_settings(case)
    assert found.met and found.settings.inlet_air_temperature == pytest.approx(71.3, abs=1e-9)
    again = coolsim.predict(set_so(case, found.settings))
    assert again.pellets_out.moisture_wb == pytest.approx(found.result.pellets_out.moisture_wb, abs=1e-7)


def test_with_one_airflow_given_the_depth_alone_is_found() -> None:
    """Nothing but the depth is open, no fan, no price of heat: once an IndexError."""
    text = (
        FEED.replace('heat = "0.06 /kWh"\n', "").replace('"18 %"', '"14 %"').replace('"60 degC"', '"75 degC"')
    )
    text += '[cooler]\nfloor_area = "0.5 m2"\nbed_depth = "0.5 m"\nairflow = "700 m3/h"\n'
    found = coolsim.find_settings(loads(text + '[limits]\nbed_depth = ["0.2 m", "0.9 m"]\n'))
    assert found.settings.airflow == pytest.approx(700 / 3600) and found.cost.heat == 0.0


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("monsoon-night", {"target.moisture": "9 %"}),
        pytest.param("evening-batch", {"target.moisture": "4 %"}, marks=pytest.mark.thorough),
    ],
)
def test_the_nearest_settings_stand_on_the_dial_where_not_all_can_be_kept(
    name: str, change: dict[str, str]
) -> None:
    """Rounded so, they miss the wish by two hundredths of a point more at most, and keep what can be kept."""
    case = coolsim.replace(level(name), change)
    found, exact = coolsim.find_settings(case), coolsim.find_settings(case, on_dial=False)
    assert not found.met and not exact.met
    for one in found.chosen:
        s = one.setting
        if s.opened:
            assert np.abs(steps(one.to, s.step, s.low, s.high) - one.to).min() < 1e-6 * s.step, s.label
    for now, before in zip(found.verdicts, exact.verdicts):
        c = now.constraint
        assert c.violation(now.value) <= max(0.0, float(c.violation(before.value)) + 0.02) + 1e-6, c.called
