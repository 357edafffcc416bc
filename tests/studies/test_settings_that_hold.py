"""Advice that a person may act on: what was once advised, denied or mispriced, each as it was tried."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from shipped import level
from studies.pig_pellets import BATCH, FEED
from studies.set_so import set_so

import coolsim
from coolsim.case.costs import Cost
from coolsim.case.line_parts import Shift
from coolsim.case.quantities import LIFT_OFF
from coolsim.case.streams import Air
from coolsim.machines import machine_of
from coolsim.output.cost_tables import summed
from coolsim.output.page import Page
from coolsim.output.quantities import at_limits
from coolsim.output.tables import predicted
from coolsim.scenario import loads
from coolsim.simulate.requirements import constraints_of
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.settings.one_weather import appraised_settings, gain_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"
KWH = 3.6e6


def evening(**changes: object) -> coolsim.Case:
    return coolsim.replace(level("evening-batch"), {k.replace("__", "."): v for k, v in changes.items()})


@pytest.mark.thorough
def test_a_bed_that_lifts_is_never_advised() -> None:
    """A small floor in much air: once 177 % of lift-off, status 0, "met". Nobody typed a limit of it."""
    case = evening(
        cooler__floor_area="2 m2",
        limits__duration=["15 min", "25 min"],
        limits__airflow=["3000 m3/h", "14000 m3/h"],
    )
    assert case.limits.maximum_lift_off is None
    found = coolsim.find_settings(case)
    again = coolsim.predict(set_so(case, found.settings))
    lifts = float(again.bed.lift_off)
    assert lifts <= LIFT_OFF + 1e-6 or (not found.met and "lift-off" in [x.limit for x in found.broken])
    if found.met:
        assert not [w for w in again.warnings if w.level == "danger"]
    # 14000 m³/h, which that range allows, would lift it: the limit is what keeps them off
    assert coolsim.predict(machine_of(case).at({"airflow": 14000 / 3600})).bed.lift_off > 1.0


def test_a_typed_limit_beyond_lifting_counts_as_lifting() -> None:
    case = evening(limits__maximum_lift_off="150 %")
    (limit,) = (c for c in constraints_of(case) if c.name == "lift_off")
    assert limit.bound == 1.0 and limit.violation(1.01) > 0


@pytest.mark.thorough
def test_what_alone_would_do_is_found_between_two_that_do_not() -> None:
    """A band of ± 0.3 point: a time that serves lies between one too wet and one too dry. It was denied."""
    case = evening(limits__duration=["10 min", "14 min"], target__tolerance="0.3 %")
    found = coolsim.find_settings(case)
    assert not found.met
    (time,) = (c for c in found.smallest_changes if c.change == "drying time")
    assert time.to is not None and time.unit == "min" and time.to > 14
    there = set_so(case, found.settings)
    cooler = dataclasses.replace(there.cooler, duration=60 * time.to)
    M = float(coolsim.predict(dataclasses.replace(there, cooler=cooler)).pellets_out.moisture_wb)
    assert abs(M - case.target.moisture) <= 0.003 + 1e-7


@pytest.mark.thorough
def test_above_ambient_is_in_kelvin_whatever_the_machine() -> None:
    """A batch that is not cooled leaves far warmer than 1 K above the air outside: by how much is a difference."""
    text = FEED.replace('moisture = "13 %"', 'moisture = "13 %"\nmaximum_above_ambient = "1 K"')
    case = loads(text + BATCH + '[limits]\nduration = ["5 min", "30 min"]\n')
    found = coolsim.find_settings(case)
    T = float(coolsim.predict(set_so(case, found.settings)).pellets_out.temperature)
    written = {x["limit"]: x for x in at_limits(found.broken)}
    assert written["above the air outside"]["unit"] == "K"
    assert written["above the air outside"]["value"] == pytest.approx(T - 20.0, abs=1e-6)


@pytest.mark.thorough
def test_humidities_alone_may_be_an_array() -> None:
    case = level("monsoon-night")
    found = coolsim.find_settings(case, air=Air(26.0, np.array([0.7, 0.94])))
    one = coolsim.find_settings(dataclasses.replace(case, air=Air(26.0, 0.7)), on_dial=False)
    assert found.met.shape == (2,)
    assert found.cost.total[0] == pytest.approx(one.cost.total, rel=1e-4)


@pytest.mark.thorough
def test_nothing_nearest_is_drier_than_the_driest() -> None:
    """Out of reach at any time: the nearest state is the driest there is, and the driest is told as dry."""
    case = evening(target__moisture="3 %", limits__duration=["10 min", "20 min"])
    found = coolsim.find_settings(case)
    assert not found.met
    assert found.driest.moisture_wb <= found.result.pellets_out.moisture_wb + 1e-6


def test_a_batch_that_does_not_keep_up_is_priced_by_what_it_takes() -> None:
    """By hand: 4 m² of 10 cm in a cycle of 4 + 20 + 3 min, where 600 kg/h would come."""
    case = loads(FEED + BATCH + '[schedule]\nfilling = "4 min"\nemptying = "3 min"\n')
    case = dataclasses.replace(case, feed=dataclasses.replace(case.feed, throughput=1200 / 3600))
    result = coolsim.predict(case)
    mass, cycle = 0.4 * case.feed.bulk_density, 27 / 60
    assert mass / cycle < 1200  # kg/h: it does not keep up
    cost = appraised_settings(machine_of(case), case, result).cost
    energy = (0.06 * float(result.energy.heat) + 0.15 * float(result.energy.fan)) / KWH
    M = min(float(result.pellets_out.moisture_wb), 0.13)
    away = 0.4 * mass * 0.82 * (1 / 0.87 - 1 / (1 - M))
    assert cost.total == pytest.approx((energy + away) / cycle, rel=1e-6)
    assert cost.per_tonne == pytest.approx((energy + away) / mass * 1000, rel=1e-6)


@pytest.mark.parametrize("beyond", [0.0005, -0.0005])
def test_a_twentieth_of_a_point_beyond_the_target_is_not_met(beyond: float) -> None:
    case = level("humid-delta")
    result = coolsim.predict(case)
    moisture = float(result.pellets_out.moisture_wb)
    wished = dataclasses.replace(case.target, moisture=moisture - beyond, tolerance=None)
    (verdict,) = (
        v
        for v in verdicts_of(dataclasses.replace(case, target=wished), result)
        if v.constraint.name == "moisture"
    )
    assert verdict.met == (beyond < 0) and verdict.margin == pytest.approx(-beyond)


def test_pellets_that_are_too_wet_earn_nothing() -> None:
    """What is above the target is water that nobody may sell: the bill is energy alone, as if feed had no price."""
    wet = evening(target__moisture="4 %")
    result = coolsim.predict(wet)
    assert result.pellets_out.moisture_wb > 0.05
    dear, free = (
        appraised_settings(machine_of(case), case, result).cost
        for case in (wet, dataclasses.replace(wet, costs=dataclasses.replace(wet.costs, feed=None)))
    )
    assert wet.costs.feed > 0 and dear.overdried_feed == 0.0
    assert dear.total == free.total == dear.electricity + dear.heat > 0.0


@pytest.mark.parametrize("seed", range(50))
def test_costs_add_up_as_they_are_printed(seed: int) -> None:
    """0.203 + 0 + 0 once was 0.204."""
    rng = np.random.default_rng(seed)
    parts = 10 ** rng.uniform(-4, 3, 3) * (rng.random(3) < 0.7)
    *texts, total = summed([*parts, parts.sum()])
    digits = len(total.partition(".")[2])
    assert sum(round(float(t) * 10**digits) for t in texts) == round(float(total) * 10**digits)
    for text, part in zip(texts, parts):
        assert abs(float(text) - part) <= 1.51 * 10.0**-digits and float(text) >= 0
    assert float(total) == pytest.approx(parts.sum(), abs=max(0.51 * 10.0**-digits, 5e-4))


# -- unlike pellets


def test_the_wettest_tenth_is_said_before_the_mean() -> None:
    """A belt whose mean is drier than its target, and whose wettest tenth lies more than 1 point above it."""
    case = level("belt-four-zones")
    result = coolsim.predict(case)
    wet = float(result.between_pellets.wettest_tenth.moisture_wb)
    assert result.pellets_out.moisture_wb <= case.target.moisture and wet > case.target.moisture + 0.01
    text = predicted(case, result, Page(100))
    assert text.index("check: the wettest tenth of the pellets") < text.index("exit moisture")
    assert f"{100 * wet:.1f} %" in text.partition("exit moisture")[0]
    (row,) = (line for line in text.splitlines() if line.startswith("moisture ") and "9.5" in line)
    assert f"wettest tenth {100 * wet:.2f} %" in row
    loose = coolsim.replace(case, {"target.maximum_deviation": "3 %"})
    assert "check: the wettest tenth" not in predicted(loose, coolsim.predict(loose), Page(100))


@pytest.mark.thorough
def test_water_activity_is_of_the_wettest_tenth_where_layers_may_be_bagged_apart() -> None:
    """By the isotherm at the store: a batch that is not turned by its wettest tenth, a belt by its mean."""
    from coolsim.physics.sorption import water_activity

    for name, apart in (("evening-batch", True), ("belt-four-zones", False)):
        case = level(name)
        result = coolsim.predict(case)
        T = max(25.0, float(case.air.temperature))
        tenth, mean = result.between_pellets.wettest_tenth.moisture_wb, result.pellets_out.moisture_wb
        of = [float(water_activity(case.material.isotherm, M / (1 - M), T)) for M in (tenth, mean)]
        assert of[0] > of[1] + 0.01
        assert result.in_store.water_activity == pytest.approx(of[0] if apart else of[1], abs=1e-9)
        warm = coolsim.replace(case, {"target.water_activity_at": "40 degC"})
        assert coolsim.predict(warm).in_store.temperature == 40.0


# -- now, set, gain


def test_a_gain_is_counted_in_the_hours_of_the_shift() -> None:
    """By hand: 1.50 − 1.20 = 0.30 an hour, 10 h twice a day on 300 days, and 8 h on 250 where nothing is typed."""
    case = loads(FEED + BATCH)
    result = coolsim.predict(case)
    drier = dataclasses.replace(
        result, pellets_out=dataclasses.replace(result.pellets_out, moisture_wb=0.12, temperature=30.0)
    )
    now = appraised_settings(machine_of(case), case, result)
    now = dataclasses.replace(now, cost=Cost(0.3, 0.0, 1.2, 1.5, 2.5))
    then = dataclasses.replace(now, result=drier, cost=Cost(0.12, 0.0, 1.08, 1.2, 2.0))
    typed = dataclasses.replace(case, shift=Shift(hours=36000.0, per_day=2.0, days_per_year=300.0))
    gain, assumed = gain_of(typed, now, then), gain_of(case, now, then)
    assert gain.cost_per_hour == pytest.approx(0.3) and gain.cost_per_year == pytest.approx(1800.0)
    assert gain.hours_per_year == pytest.approx(6000.0) and not gain.hours_assumed
    assert assumed.hours_per_year == pytest.approx(2000.0) and assumed.hours_assumed
    assert gain.moisture_wb == pytest.approx(0.12 - float(result.pellets_out.moisture_wb))
    assert gain.temperature == pytest.approx(30.0 - float(result.pellets_out.temperature))


def test_shifts_are_read() -> None:
    case = loads(FEED + BATCH + '[shift]\nhours = "10 h"\nper_day = 2\ndays_per_year = 300\n')
    assert (case.shift.hours, case.shift.per_day, case.shift.days_per_year) == (36000.0, 2.0, 300.0)
    with pytest.raises(coolsim.InputError) as refused:
        loads(FEED + BATCH + '[shift]\nhours = "30 h"\nper_day = 0\n', "mill.toml")
    assert {fault.key for fault in refused.value.faults} == {"shift.hours", "shift.per_day"}
    assert all("mill.toml:" in fault.where for fault in refused.value.faults)
