"""The cheapest settings against a dense search of random plants (random_plants), with two and three settings.

COOLSIM_PROBLEMS=60 tries sixty plants with two settings and twelve with three, instead of a tenth of them.
"""

from __future__ import annotations

import dataclasses
import os

import numpy as np
import pytest
from shipped import level_text
from studies.random_plants import WISH_KEPT, Looked, Problem, afresh, on_the_coarse_mesh, problem

import coolsim
from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.machines import base, plant
from coolsim.machines.plant_ranges import knob_range
from coolsim.model.solve import Resolution
from coolsim.scenario import loads
from coolsim.simulate.inputs import Inputs
from coolsim.studies.settings.find import Change
from coolsim.support.errors import NotConverged

COUNT = int(os.environ.get("COOLSIM_PROBLEMS", "6"))
# of 0 to 5, two take half a minute each to tabulate densely; 17 is out of reach but for hotter feed; 58 was once
# given up next to its optimum
TWO = [(seed, 2) for seed in sorted({*range(6, 6 + COUNT), 17, 58})]
THREE = [(seed, 3) for seed in range(6, 6 + COUNT // 5)]
ALL = [*TWO, *THREE]
# not monotone, and at an end of its range; out of reach; out of reach but for hotter feed
QUICK = [(10, 2), (11, 2), (17, 2)]
every_plant = pytest.mark.parametrize(
    ("seed", "knobs"), [pytest.param(*one, marks=[pytest.mark.thorough] * (one not in QUICK)) for one in ALL]
)


@every_plant
def test_no_dense_search_finds_cheaper_settings(seed: int, knobs: int) -> None:
    p = problem(seed, knobs)
    again = afresh(p)
    assert again.excess(p.case, wishes=False).max() <= 1e-6
    if p.answer.met:
        assert meets(p.case, again)[0]
        assert again.cost[0] == pytest.approx(float(p.answer.cost.total), rel=1e-4, abs=1e-4)
    if not np.isnan(p.cheapest):
        assert p.answer.met
        assert again.cost[0] <= 1.005 * p.cheapest + 1e-6


def meets(case: Case, looked: Looked) -> np.ndarray:
    return looked.keeps(case, within=np.array([1e-6, 1e-6, 1e-6, *WISH_KEPT]))


@every_plant
def test_ends_of_the_window(seed: int, knobs: int) -> None:
    """No state of the dense search is drier or wetter than the ends, by 0.01 point."""
    p = problem(seed, knobs)
    seen = p.machine.moisture[p.machine.keeps(p.case, wishes=False)]
    for end in (p.answer.driest, p.answer.wettest):
        dial = {n: getattr(end.settings, n) for n in ("airflow", "bed_depth", "inlet_air_temperature")}
        again = afresh(p, **dial)
        assert again.moisture[0] == pytest.approx(end.moisture_wb, abs=1e-6)
        assert again.excess(p.case, wishes=False).max() <= 1e-6
    assert p.answer.driest.moisture_wb <= seen.min() + 1e-4
    assert p.answer.wettest.moisture_wb >= seen.max() - 1e-4


@every_plant
def test_nearest_state_where_the_target_is_out_of_reach(seed: int, knobs: int) -> None:
    """As dry as any state, or where dry enough, as cool as any that is dry enough."""
    p = problem(seed, knobs)
    if p.answer.met:
        return
    again, wish = afresh(p), p.case.target
    runs = p.machine.keeps(p.case, wishes=False)
    if p.machine.moisture[runs].min() > p.target:
        assert again.moisture[0] <= p.machine.moisture[runs].min() + 1e-4
        assert "moisture" in [b.limit for b in p.answer.broken]
    else:
        dry = runs & (p.machine.moisture <= p.target)
        coolest = max(p.machine.above[dry].min(), wish.maximum_above_ambient)
        assert again.moisture[0] <= p.target + WISH_KEPT[0] and again.above[0] <= coolest + 0.01


def changed(p: Problem, change: Change, value: float) -> bool:
    """Whether the state found meets everything once one thing has a value, in the change's unit."""
    dial = p.answer.settings
    if change.change == "feed temperature":
        case = dataclasses.replace(p.case, feed=dataclasses.replace(p.case.feed, temperature=value))
        return bool(meets(case, afresh(dataclasses.replace(p, case=case)))[0])
    per_minute = dial.bed_depth / (dial.residence_time / 60)
    name, unit = {
        "inlet air temperature": ("inlet_air_temperature", 1.0),
        "airflow": ("airflow", 1 / 3600),
        "time in the bed": ("bed_depth", per_minute),
    }[change.change]
    return bool(meets(p.case, afresh(p, **{name: value * unit}))[0])


@every_plant
def test_smallest_changes(seed: int, knobs: int) -> None:
    """Each holds when it is made, and none of ten values on the way to it does; where there is none, none is."""
    p = problem(seed, knobs)
    assert bool(p.answer.smallest_changes) != p.answer.met
    dial, ambient = p.answer.settings, p.case.air.temperature
    now = {
        "feed temperature": (p.case.feed.temperature, (ambient, 95.0), 100.0),
        "inlet air temperature": (dial.inlet_air_temperature, (ambient, 110.0), 110.0),
        "airflow": (3600 * dial.airflow, (720 * dial.airflow, 18_000 * dial.airflow), 18_000 * dial.airflow),
        "time in the bed": (dial.residence_time / 60, (dial.residence_time / 300, dial.residence_time / 12),
            dial.residence_time / 12),
    }  # fmt: skip
    for change in p.answer.smallest_changes:
        if change.change == "feed moisture":
            continue  # its settings are found anew: below
        start, ends, span = now[change.change]
        if change.to is None:
            assert not any(changed(p, change, v) for v in np.linspace(*ends, 7))
        else:
            assert changed(p, change, change.to)
            stop = change.to - np.sign(change.to - start) * span / 400  # the search looks at 800 values
            if (stop - start) * (change.to - start) > 0:
                assert not any(changed(p, change, v) for v in np.linspace(start, stop, 10))


@pytest.mark.thorough
@pytest.mark.parametrize(("seed", "knobs"), [one for one in ALL if one[0] % 3 == 2])
def test_required_feed_moisture(seed: int, knobs: int) -> None:
    """The target is met with feed of this moisture, and not with feed 0.05 point wetter."""
    p = problem(seed, knobs)
    feed = p.answer.required_feed_moisture
    if np.isnan(feed) or feed > 0.3:
        return

    def fed(moisture: float) -> bool:
        case = dataclasses.replace(p.case, feed=dataclasses.replace(p.case.feed, moisture=moisture))
        return on_the_coarse_mesh(case).met

    assert fed(feed - 1e-6)
    assert not fed(feed + 5e-4)


@pytest.mark.thorough
@pytest.mark.parametrize(("seed", "knobs"), [one for one in ALL if one[0] % 5 == 3])
def test_settings_give_the_exit_that_was_promised(seed: int, knobs: int) -> None:
    """On the mesh that answers, typed into the scenario and predicted: the same exit to 0.02 point."""
    case = problem(seed, knobs).case
    answer = coolsim.find_settings(case, on_dial=False)
    dial = answer.settings
    typed = {
        "cooler.airflow": f"{3600 * dial.airflow:.6f} m3/h",
        "cooler.bed_depth": f"{dial.bed_depth:.8f} m",
        "cooler.inlet_air_temperature": f"{dial.inlet_air_temperature:.6f} degC",
    }
    exit_ = coolsim.predict(coolsim.replace(case, typed)).pellets_out
    assert exit_.moisture_wb == pytest.approx(answer.result.pellets_out.moisture_wb, abs=2e-4)
    if answer.met:
        assert exit_.moisture_wb <= case.target.moisture + 2e-4


@pytest.mark.thorough
def test_the_problems_are_of_every_kind() -> None:
    """Half with an optimum within the ranges, some not monotone in airflow, some out of reach, some heated."""
    problems = [problem(*one) for one in TWO[:COUNT]]
    met = [p for p in problems if p.answer.met]
    assert sum(map(within, met)) >= COUNT // 2
    assert sum(not p.monotone for p in problems) >= COUNT // 6
    assert COUNT - len(met) >= COUNT // 6
    three = [problem(*one) for one in THREE]
    heated = [p for p in three if p.answer.settings.inlet_air_temperature > p.case.air.temperature + 1.0]
    assert len(heated) >= (len(three) + 1) // 2
    assert sum(p.answer.met for p in three) >= (len(three) + 1) // 2


def within(p: Problem) -> bool:
    """Whether airflow and depth are at no end of their range."""
    return not any(b.limit.split(",")[0] in ("airflow", "bed depth") for b in p.answer.binding)


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("old", "new", "held"),
    [
        ('["0.25 m", "0.9 m"]', '["0.4 m", "0.4 m"]', ("bed_depth", 0.4)),
        ('["35 %", "100 %"]', '["80 %", "80 %"]', ("fan_speed", 0.8)),
        ("# inlet_air_temperature = [", "inlet_air_temperature = [", None),
        (
            '# inlet_air_temperature = ["26 degC", "45 degC"]',
            'inlet_air_temperature = ["10 degC", "20 degC"]',
            ("inlet_air_temperature", 26.0),  # colder than outside it cannot be
        ),
    ],
)
def test_ranges_of_a_scenario_we_ship(old: str, new: str, held: tuple[str, float] | None) -> None:
    """A range without width holds its knob there; a heater that may stay off costs nothing."""
    text = level_text("monsoon-night").replace("[limits]", '[limits]\nminimum_residence_time = "0 s" #')
    assert old in text
    answer = coolsim.find_settings(loads(text.replace(old, new)))
    assert answer.met
    if held:
        assert getattr(answer.settings, held[0]) == pytest.approx(held[1], abs=1e-6)
    else:
        assert answer.exact_cost <= 1.001 * 0.22195  # found by hand along the edge, with the heater off


@pytest.mark.thorough
@pytest.mark.parametrize("everywhere", [False, True], ids=["on the survey's mesh", "on every mesh"])
def test_states_of_the_survey_that_do_not_solve_are_bridged(
    everywhere: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Deep beds in much air fail: the settings are found and predicted as before."""
    case = loads(level_text("monsoon-night"))
    ranges = knob_range(case)
    best, real, holes = coolsim.find_settings(case, on_dial=False), plant.predict_inputs, []

    def with_a_hole(inputs: Inputs, resolution: Resolution) -> Result:
        airflow = inputs.dry_air * inputs.outside_volume
        hole = (inputs.bed_depth > 0.7) & (airflow > 0.75 * ranges["airflow"][1])
        if hole.any() and (everywhere or resolution == base.QUICK):
            holes.append(resolution)
            raise NotConverged("a hole", np.flatnonzero(hole), None)
        return real(inputs, resolution)

    monkeypatch.setattr(plant, "predict_inputs", with_a_hole)
    again = coolsim.find_settings(case, on_dial=False)
    assert base.QUICK in holes
    assert again.met and again.cost.total == pytest.approx(best.cost.total, rel=1e-3)
    monkeypatch.setattr(plant, "predict_inputs", real)
    knobs = {n: np.array([getattr(again.settings, n)]) for n in ("airflow", "bed_depth")}
    out = plant.try_settings(case, knobs, base.FULL).result.pellets_out
    assert out.moisture_wb[0] == pytest.approx(again.result.pellets_out.moisture_wb, abs=1e-7)


def test_a_survey_that_hardly_solves_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def nowhere(inputs: Inputs, resolution: Resolution) -> Result:
        raise NotConverged("nowhere", np.arange(len(inputs.bed_depth)), None)

    monkeypatch.setattr(plant, "predict_inputs", nowhere)
    with pytest.raises(NotConverged, match="of the survey did not converge"):
        coolsim.find_settings(loads(level_text("monsoon-night")))


def test_a_fan_that_stalls_is_out_of_reach() -> None:
    """A peak far right of any flow allowed: the bed is met left of it at every speed."""
    text = level_text("monsoon-night")
    curve = text[text.index("curve = [") : text.index("motor_efficiency")]
    stalled = 'curve = [["0 m3/h", "100 Pa"], ["90000 m3/h", "3000 Pa"], ["99000 m3/h", "0 Pa"]]\n'
    flows = 'airflow = ["900 m3/h", "3000 m3/h"]'
    text = text.replace(curve, stalled).replace('fan_speed = ["35 %", "100 %"]', flows)
    answer = coolsim.find_settings(loads(text))
    assert not answer.met
    assert "fan curve" in [broken.limit for broken in answer.broken]
