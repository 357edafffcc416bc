"""The cheapest settings against a dense search of random plants, written here with `predict` alone.

Both sides use the same coarse mesh: the search is what is tested, not the mesh. Each plant is looked at on a
table of airflow and bed depth; along airflow, target and limits are met by false position between neighbours.
COOLSIM_PROBLEMS=60 tries more plants.
"""

from __future__ import annotations

import dataclasses
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import coolsim
from coolsim.case import Case
from coolsim.equipment import fan as fans
from coolsim.equipment.operating_point import Status, speed_for
from coolsim.model.solve import Resolution
from coolsim.physics import air
from coolsim.scenario import loads
from coolsim.studies import search, settings

COUNT = int(os.environ.get("COOLSIM_PROBLEMS", "10"))
SEEDS = range(6, 6 + COUNT)  # of 0 to 5, two take half a minute each to tabulate densely
MESH = Resolution(8, 6, refinements=0)
FLOWS, DEPTHS, STEPS = 21, 20, 9
PLANT = """\
[feed]
material = "{material}"
diameter = "{diameter:.2f} mm"
length = "{length:.2f} mm"
throughput = "{throughput:.0f} kg/h"
temperature = "{feed:.1f} degC"
moisture = "{moisture:.2f} %"
[air]
temperature = "{ambient:.1f} degC"
relative_humidity = "{humidity:.0f} %"
[cooler]
floor_area = "{area:.3f} m2"
bed_depth = "0.5 m"
airflow = "{low:.1f} m3/h"
[target]
moisture = "{target:.8f} %"
maximum_above_ambient = "{above:.6f} K"
[limits]
airflow = ["{low:.1f} m3/h", "{high:.1f} m3/h"]
bed_depth = ["{shallow:.3f} m", "{deep:.3f} m"]
maximum_lift_off = "{lift:.1f} %"
[costs]
electricity = "{electricity:.3f} /kWh"
feed = "{price:.3f} /kg"
"""
FAN = '[fan]\nrated_flow = "{rated:.1f} m3/h"\nrated_pressure = "2500 Pa"\n'


@dataclass(frozen=True)
class Looked:
    """States predicted: airflow and depth, what the target and the limits bound, and the cost."""

    at: Any
    moisture: Any
    above: Any
    lift: Any
    off_fan: Any
    cost: Any

    def excess(self, case: Case, wishes: bool = True) -> Any:
        target = case.tables["target"]
        rows = [self.lift - case.tables["limits"]["maximum_lift_off"], self.off_fan]
        if wishes:
            rows += [(self.moisture - target["moisture"]), (self.above - target["maximum_above_ambient"])]
        return np.array(rows)


def predicted(case: Case, airflow: Any, depth: Any) -> Any:
    cooler = case.cooler
    cases = [
        dataclasses.replace(case, cooler=dataclasses.replace(cooler, airflow=float(v), bed_depth=float(d)))
        for v, d in zip(airflow, depth)
    ]
    return coolsim.predict(cases, resolution=MESH)


def look(case: Case, airflow: Any, depth: Any, r: Any = None) -> Looked:
    """Predict states; the fan draws the exhaust, with no duct before it."""
    r = r or predicted(case, airflow, depth)
    p, T, Y = case.air.pressure, r.air_out.temperature, r.air_out.humidity_ratio
    outside = air.humidity_ratio_from_relative_humidity(case.air.temperature, case.air.relative_humidity, p)
    dry = airflow / air.dry_air_volume(case.air.temperature, outside, p)
    pressure, p_fan = r.bed.pressure_drop, p - r.bed.pressure_drop
    flow, density = dry * air.dry_air_volume(T, Y, p_fan), air.moist_density(T, Y, p_fan)
    machine = fans.fan_of(case.tables)
    power, off = flow * pressure / (0.6 * 0.9), np.full(len(flow), -1.0)
    if machine:
        found = speed_for(machine, flow, pressure, density)
        power = fans.electric_power(machine, flow, found.speed, density)
        off = np.where(found.status == Status.FALLING, found.speed - 1.0, 1.0)
    solid = case.feed.throughput * (1 - case.feed.moisture)
    given_away = np.maximum(solid / (1 - case.tables["target"]["moisture"]) - r.pellets_out.mass_flow, 0)
    prices = case.tables["costs"]
    cost = 3600 * (power * prices["electricity"] + given_away * prices["feed"])
    return Looked(
        np.stack([airflow, depth], axis=1),
        r.pellets_out.moisture_wb,
        r.pellets_out.temperature - case.air.temperature,
        r.bed.lift_off,
        off,
        cost,
    )


def dense(case: Case, table: Looked, flows: Any, depths: Any, wishes: bool) -> Looked:
    """The table's states, and those between neighbours in airflow where a limit is just kept."""
    e = table.excess(case, wishes).reshape(-1, len(depths), len(flows))
    left, right = np.log(flows[:-1]), np.log(flows[1:])
    row, line, k = np.nonzero((e[..., :-1] <= 0) != (e[..., 1:] <= 0))
    ends = np.array([left[k], right[k]]), np.array([e[row, line, k], e[row, line, k + 1]])
    (a, b), (e_a, e_b) = (np.where(ends[1][0] <= 0, v, v[::-1]) for v in ends)  # a keeps it, b breaks it
    for step in range(STEPS if len(row) else 0):
        share = np.clip(-e_a / (e_b - e_a), 0.02, 0.98) if step % 3 < 2 else 0.5
        middle = a + share * (b - a)
        e_m = look(case, np.exp(middle), depths[line]).excess(case, wishes)[row, np.arange(len(row))]
        good = e_m <= 0
        # the end that stays counts half, so that both ends close in
        a, e_a, b, e_b = (
            np.where(good, middle, a),
            np.where(good, e_m, e_a / 2),
            np.where(good, b, middle),
            np.where(good, e_b / 2, e_m),
        )
    if not len(row):
        return table
    met = look(case, np.exp(a), depths[line])
    pairs = zip(dataclasses.astuple(table), dataclasses.astuple(met))
    return Looked(*(np.concatenate(pair) for pair in pairs))


@dataclass(frozen=True)
class Problem:
    case: Case
    cheapest: float  # of the dense search; nan where it meets the target nowhere
    driest: float  # of the dense search, within the machine's limits
    monotone: bool
    answer: settings.SettingsAnswer


@cache
def problem(seed: int) -> Problem:
    rng = np.random.default_rng(seed)
    throughput = rng.uniform(800, 4000)
    flow = throughput * rng.uniform(0.2, 0.7)
    numbers = {
        "material": rng.choice(["pig-pellets", "poultry-pellets", "sinking-fish-feed", "floating-fish-feed"]),
        "diameter": rng.uniform(2.5, 6),
        "length": rng.uniform(6, 12),
        "throughput": throughput,
        "feed": rng.uniform(70, 92),
        "moisture": rng.uniform(13, 16.5),
        "ambient": rng.uniform(5, 34),
        "humidity": rng.uniform(40, 92),
        "area": throughput / 1200 * rng.uniform(0.6, 1.2),
        "low": flow,
        "high": flow * rng.uniform(4, 8),
        "shallow": rng.uniform(0.2, 0.35),
        "deep": rng.uniform(0.7, 1.1),
        "lift": rng.uniform(50, 90),
        "electricity": rng.uniform(0.08, 0.3),
        "price": rng.uniform(0.2, 0.9),
    }
    text = PLANT
    if seed % 3 == 1:
        text += FAN.replace("{rated:.1f}", f"{numbers['high'] * rng.uniform(0.7, 1.2):.1f}")
    flows = np.geomspace(flow, numbers["high"], FLOWS) / 3600
    depths = np.linspace(numbers["shallow"], numbers["deep"], DEPTHS)
    case = loads(text.format(**numbers, target=13.0, above=50.0))
    V, L = np.tile(flows, DEPTHS), np.repeat(depths, FLOWS)
    r = predicted(case, V, L)
    table = look(case, V, L, r)
    runs = (table.excess(case, wishes=False) <= 0).all(axis=0)
    reach = np.sort(table.moisture[runs])
    share, out_of_reach = rng.uniform(0.1, 0.9), seed % 6 == 5
    target = reach[0] - rng.uniform(0.0005, 0.005) if out_of_reach else np.quantile(reach, share)
    # a temperature that some of the states near the target keep: then the optimum is often within the ranges
    near = runs & (np.abs(table.moisture - target) < 0.1 * np.ptp(reach))
    above = np.quantile(table.above[near], rng.uniform(0.1, 0.6)) if near.any() else 8.0
    case = loads(text.format(**numbers, target=100 * target, above=max(above, 1.0)))
    looked = dense(case, look(case, V, L, r), flows, depths, True)
    keeps = (looked.excess(case) <= 1e-9).all(axis=0)
    cheapest = np.nan
    if keeps.any():  # once more, closely about the best
        best = int(np.where(keeps, looked.cost, np.inf).argmin())
        at, step = looked.at[best], depths[1] - depths[0]
        close_flows = np.clip(at[0] * np.geomspace(0.85, 1 / 0.85, 5), flows[0], flows[-1])
        close_depths = np.clip(at[1] + step * np.linspace(-1, 1, 11), depths[0], depths[-1])
        close_V, close_L = np.tile(close_flows, 11), np.repeat(close_depths, 5)
        close = dense(case, look(case, close_V, close_L), close_flows, close_depths, True)
        keeps_too = (close.excess(case) <= 1e-9).all(axis=0)
        cheapest = min(looked.cost[keeps].min(), close.cost[keeps_too].min(initial=np.inf))
    machine = dense(case, table, flows, depths, False)
    runs = (machine.excess(case, wishes=False) <= 1e-9).all(axis=0)
    along = np.diff(table.moisture.reshape(DEPTHS, FLOWS), axis=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search, "FULL", MESH)
        patch.setattr(settings, "FULL", MESH)
        answer = coolsim.find_settings(case)
    return Problem(
        case,
        float(cheapest),
        float(machine.moisture[runs].min()),
        bool(((along > 1e-5).any(axis=1) & (along < -1e-5).any(axis=1)).sum() == 0),
        answer,
    )


def afresh(p: Problem) -> tuple[Looked, Any]:
    """Predict the settings found once more, through the scenario."""
    dial = p.answer.settings
    changes = {
        "cooler.airflow": f"{dial.airflow!r} m3/s",
        "cooler.bed_depth": f"{dial.bed_depth!r} m",
    }
    case = coolsim.replace(
        p.case, {k: v.replace("np.float64(", "").replace(")", "") for k, v in changes.items()}
    )
    return look(case, np.array([case.cooler.airflow]), np.array([case.cooler.bed_depth])), case


@pytest.mark.parametrize("seed", SEEDS)
def test_no_dense_search_finds_cheaper_settings(seed: int) -> None:
    p = problem(seed)
    again, _ = afresh(p)
    machine = again.excess(p.case, wishes=False).max()
    assert machine <= 1e-6
    if p.answer.met:
        assert again.moisture[0] <= p.case.tables["target"]["moisture"] + 2e-8
        assert again.above[0] <= p.case.tables["target"]["maximum_above_ambient"] + 1e-5
        assert again.cost[0] == pytest.approx(float(p.answer.cost.total), rel=1e-4, abs=1e-4)
    if np.isnan(p.cheapest):
        if not p.answer.met and p.driest > p.case.tables["target"]["moisture"]:
            assert again.moisture[0] <= p.driest + 1e-4
    else:
        assert p.answer.met
        assert again.cost[0] <= 1.005 * p.cheapest + 1e-6
    assert float(p.answer.driest.moisture_wb) <= p.driest + 1e-4


def test_the_problems_are_of_every_kind() -> None:
    """Half with an optimum within the ranges, some not monotone in airflow, some out of reach."""
    problems = [problem(seed) for seed in SEEDS]
    met = [p for p in problems if p.answer.met]

    def within(p: Problem) -> bool:
        return not any(b.limit.split(",")[0] in ("airflow", "bed depth") for b in p.answer.binding)

    assert sum(map(within, met)) >= COUNT // 2
    assert sum(not p.monotone for p in problems) >= COUNT // 6
    assert len(problems) - len(met) >= COUNT // 6


MONSOON = Path(__file__).parents[2] / "scenarios" / "monsoon-night.toml"


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
    text = MONSOON.read_text(encoding="utf-8")
    assert old in text
    answer = coolsim.find_settings(loads(text.replace(old, new)))
    assert answer.met
    if held:
        assert getattr(answer.settings, held[0]) == pytest.approx(held[1], abs=1e-6)
    else:
        assert answer.cost.total <= 1.001 * 0.2035  # found by hand along the edge, with the heater off


def test_a_fan_that_stalls_is_out_of_reach() -> None:
    """A peak far right of any flow allowed: the bed is met left of it at every speed."""
    text = MONSOON.read_text(encoding="utf-8")
    curve = text[text.index("curve = [") : text.index("motor_efficiency")]
    stalled = 'curve = [["0 m3/h", "100 Pa"], ["90000 m3/h", "3000 Pa"], ["99000 m3/h", "0 Pa"]]\n'
    flows = 'airflow = ["900 m3/h", "3000 m3/h"]'
    text = text.replace(curve, stalled).replace('fan_speed = ["35 %", "100 %"]', flows)
    answer = coolsim.find_settings(loads(text))
    assert not answer.met
    assert "fan curve" in [broken.limit for broken in answer.broken]
