"""Random plants, and a dense search of their settings that uses `predict` alone.

Both sides use the same coarse mesh: the search is what is tested, not the mesh. A plant is looked at on a table
of airflow, bed depth and, where the inlet air can be heated, its temperature; target and limits are met by false
position between neighbours in airflow and in inlet temperature. What nobody types is let be: moulds, and the least
time in the bed.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pytest

import coolsim
from coolsim.case.case import Case
from coolsim.equipment import fan as fans
from coolsim.equipment.operating_point import Status, speed_for
from coolsim.machines import base
from coolsim.model.solve import Resolution
from coolsim.physics import air
from coolsim.scenario import loads
from coolsim.studies.optimise import machines
from coolsim.studies.settings import dial, one_weather
from coolsim.studies.settings.answer import SettingsAnswer

MESH = Resolution(8, 6, refinements=0)
TABLE = {2: (21, 20, 1), 3: (14, 12, 12)}  # airflows, depths, inlet temperatures: 420 and 2016 states
CLOSE = {2: (5, 11, 1), 3: (5, 7, 7)}  # and once more about the best
STEPS = 9  # of false position
WISH_KEPT = (2e-8, 1e-5)  # moisture and K above ambient that count as none: rounding of text and search
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
maximum_water_activity = 1.0
[costs]
electricity = "{electricity:.3f} /kWh"
heat = "{heat:.3f} /kWh"
feed = "{price:.3f} /kg"
[limits]
airflow = ["{low:.1f} m3/h", "{high:.1f} m3/h"]
bed_depth = ["{shallow:.3f} m", "{deep:.3f} m"]
maximum_lift_off = "{lift:.1f} %"
minimum_residence_time = "0 s"
"""
HEATER = """\
inlet_air_temperature = ["{ambient:.1f} degC", "{hottest:.1f} degC"]
maximum_exhaust_relative_humidity = "{exhaust:.1f} %"
"""
FAN = '[fan]\nrated_flow = "{rated:.1f} m3/h"\nrated_pressure = "2500 Pa"\n'


@dataclass(frozen=True)
class Looked:
    """States predicted: airflow, depth and inlet temperature, what target and limits bound, and the cost."""

    at: Any  # (N, 3)
    moisture: Any
    above: Any
    lift: Any
    off_fan: Any
    exhaust: Any  # relative humidity
    cost: Any

    def excess(self, case: Case, wishes: bool = True) -> Any:
        target = case.target
        limits = case.limits
        rows = [self.lift - limits.maximum_lift_off, self.off_fan]
        most = limits.maximum_exhaust_relative_humidity
        rows.append(self.exhaust - (np.inf if most is None else most))
        if wishes:
            rows += [(self.moisture - target.moisture), (self.above - target.maximum_above_ambient)]
        return np.array(rows)

    def keeps(self, case: Case, wishes: bool = True, within: Any = 1e-9) -> Any:
        return (self.excess(case, wishes) <= np.reshape(within, (-1, 1))).all(axis=0)


def together(*parts: Looked) -> Looked:
    return Looked(*(np.concatenate(columns) for columns in zip(*map(dataclasses.astuple, parts))))


def predicted(case: Case, at: Any) -> Any:
    cases = []
    for V, L, T in at:
        dial = {
            "airflow": float(V),
            "bed_depth": float(L),
            "inlet_air_temperature": float(T) if T > 0 else None,
        }
        cases.append(dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, **dial)))
    return coolsim.predict(cases, resolution=MESH)


def look(case: Case, at: Any, r: Any = None) -> Looked:
    """Predict states; the fan draws the exhaust, with no duct before it."""
    r = r or predicted(case, at)
    airflow, _, inlet = at.T
    ambient, p = case.air.temperature, case.air.pressure
    T, Y = r.air_out.temperature, r.air_out.humidity_ratio
    outside = air.humidity_ratio_from_relative_humidity(ambient, case.air.relative_humidity, p)
    dry = airflow / air.dry_air_volume(ambient, outside, p)
    pressure, p_fan = r.bed.pressure_drop, p - r.bed.pressure_drop
    flow, density = dry * air.dry_air_volume(T, Y, p_fan), air.moist_density(T, Y, p_fan)
    machine = fans.fan_of(case.fan)
    power, off = flow * pressure / (0.6 * 0.9), np.full(len(flow), -1.0)
    if machine:
        found = speed_for(machine, flow, pressure, density)
        power = fans.electric_power(machine, flow, found.speed, density)
        off = np.where(found.status == Status.FALLING, found.speed - 1.0, 1.0)
    solid = case.feed.throughput * (1 - case.feed.moisture)
    given_away = np.maximum(solid / (1 - case.target.moisture) - r.pellets_out.mass_flow, 0)
    heat = dry * (1006.0 + 1860.0 * outside) * np.maximum(inlet - ambient, 0.0)
    prices = case.costs
    cost = 3600 * (power * prices.electricity + heat * prices.heat + given_away * prices.feed)
    out, exhaust = r.pellets_out, r.air_out.relative_humidity
    return Looked(at, out.moisture_wb, out.temperature - ambient, r.bed.lift_off, off, exhaust, cost)


def grid(flows: Any, depths: Any, inlets: Any) -> Any:
    """All combinations (N, 3), airflow running fastest."""
    T, L, V = np.meshgrid(inlets, depths, flows, indexing="ij")
    return np.stack([V.ravel(), L.ravel(), T.ravel()], axis=1)


def dense(case: Case, table: Looked, counts: tuple[int, int, int], wishes: bool = True) -> Looked:
    """A table's states, and those between neighbours in airflow or inlet temperature where a limit is just kept."""
    shape, points = counts[::-1], table.at.copy()
    points[:, 0] = np.log(points[:, 0])
    e = table.excess(case, wishes).reshape(-1, *shape)
    parts, number = [table], np.arange(len(points)).reshape(shape)
    for axis in (2, 0):
        left, right = (np.take(number, range(k, shape[axis] - 1 + k), axis) for k in (0, 1))
        flat = e.reshape(len(e), -1)
        row, *place = np.nonzero((flat[:, left] <= 0) != (flat[:, right] <= 0))
        if len(row):
            pairs = np.stack([left[tuple(place)], right[tuple(place)]])
            kept, broken = np.where(flat[row, pairs[0]] <= 0, pairs, pairs[::-1])
            ends = (points[kept], flat[row, kept]), (points[broken], flat[row, broken])
            parts.append(crossings(case, row, *ends, wishes))
    return together(*parts)


def crossings(case: Case, row: Any, kept: tuple[Any, Any], broken: tuple[Any, Any], wishes: bool) -> Looked:
    """States next to where the limit of each row is crossed, between (point, excess) that keep and break it."""
    (a, e_a), (b, e_b) = kept, broken

    def at(points: Any) -> Looked:
        return look(case, np.column_stack([np.exp(points[:, 0]), points[:, 1:]]))

    for step in range(STEPS):
        share = np.clip(-e_a / (e_b - e_a), 0.02, 0.98) if step % 3 < 2 else np.full(len(row), 0.5)
        middle = a + share[:, None] * (b - a)
        e_m = at(middle).excess(case, wishes)[row, np.arange(len(row))]
        good = e_m <= 0
        # the end that stays counts half, so that both ends close in
        a, b = np.where(good[:, None], middle, a), np.where(good[:, None], b, middle)
        e_a, e_b = np.where(good, e_m, e_a / 2), np.where(good, e_b / 2, e_m)
    return at(a)


@dataclass(frozen=True)
class Problem:
    case: Case
    cheapest: float  # of the dense search; nan where it meets the target nowhere
    machine: Looked  # the dense search within the machine's limits alone
    monotone: bool  # in airflow, at every depth and inlet temperature
    answer: SettingsAnswer

    @property
    def target(self) -> float:
        return float(self.case.target.moisture)


def numbers_of(rng: np.random.Generator) -> dict[str, Any]:
    throughput = rng.uniform(800, 4000)
    flow = throughput * rng.uniform(0.2, 0.7)
    return {
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
        "heat": 0.06,
    }


@cache
def problem(seed: int, knobs: int = 2) -> Problem:
    """A plant whose target some of its states meet; every sixth plant's target lies beyond all of them."""
    rng = np.random.default_rng(seed)
    numbers, text, inlets = numbers_of(rng), PLANT, np.array([0.0])
    if knobs == 3:
        numbers |= {"hottest": numbers["ambient"] + rng.uniform(15, 50), "heat": rng.uniform(0.003, 0.03)}
        numbers["exhaust"] = rng.uniform(60, 95)
        text += HEATER
    if seed % 3 == 1:
        text += FAN.replace("{rated:.1f}", f"{numbers['high'] * rng.uniform(0.7, 1.2):.1f}")
    case = loads(text.format(**numbers, target=13.0, above=50.0))
    ranges, counts = case.limits, TABLE[knobs]
    flows, depths = np.geomspace(*ranges.airflow, counts[0]), np.linspace(*ranges.bed_depth, counts[1])
    if knobs == 3:
        inlets = np.linspace(*ranges.inlet_air_temperature, counts[2])
    at = grid(flows, depths, inlets)
    r = predicted(case, at)
    table = look(case, at, r)
    case = wished(text, numbers, table, case, rng, out_of_reach=seed % 6 == 5)
    looked = dense(case, look(case, at, r), counts)
    keeps = looked.keeps(case)
    cheapest = np.nan
    if keeps.any():
        best = looked.at[int(np.where(keeps, looked.cost, np.inf).argmin())]
        close = closely(case, best, (flows, depths, inlets), CLOSE[knobs])
        cheapest = min(looked.cost[keeps].min(), close.cost[close.keeps(case)].min(initial=np.inf))
    along = np.diff(table.moisture.reshape(-1, counts[0]), axis=1)
    answer = on_the_coarse_mesh(case)
    machine = dense(case, table, counts, wishes=False)
    monotone = not ((along > 1e-5).any(axis=1) & (along < -1e-5).any(axis=1)).any()
    return Problem(case, float(cheapest), machine, monotone, answer)


def on_the_coarse_mesh(case: Case, on_dial: bool = False) -> SettingsAnswer:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(base, "FULL", MESH)
        for mesh in ("quick", "full"):
            patch.setitem(machines.MESHES, mesh, (machines.MESHES[mesh][0], MESH))
        patch.setattr(
            base, "predicted_each", lambda cases: [coolsim.predict(c, resolution=MESH) for c in cases]
        )
        for room in (dial, one_weather):
            patch.setattr(room, "predicted_each", base.predicted_each)
        return coolsim.find_settings(case, on_dial=on_dial)


def wished(text: str, numbers: Any, table: Looked, case: Case, rng: Any, out_of_reach: bool) -> Case:
    """The plant with a target of its own, between its driest and wettest state or drier than all."""
    runs = table.keeps(case, wishes=False, within=0.0)
    reach = np.sort(table.moisture[runs])
    share = rng.uniform(0.1, 0.9)
    target = reach[0] - rng.uniform(0.0005, 0.005) if out_of_reach else np.quantile(reach, share)
    unheated = table.at[:, 2] == table.at[:, 2].min()
    if not (out_of_reach or unheated.all()):  # drier than without heat, or the heater would always be off
        target = reach[0] + share * (table.moisture[runs & unheated].min() - reach[0])
    # a temperature that some of the states near the target keep: then the optimum is often within the ranges
    near = runs & (np.abs(table.moisture - target) < 0.1 * np.ptp(reach))
    if not unheated.all():  # few of them are both dry and cool enough: only from those that are dry
        near &= table.moisture <= target
    above = np.quantile(table.above[near], rng.uniform(0.1, 0.6)) if near.any() else 8.0
    return loads(text.format(**numbers, target=100 * target, above=max(above, 1.0)))


def closely(case: Case, best: Any, axes: tuple[Any, Any, Any], counts: tuple[int, int, int]) -> Looked:
    """The dense search once more, closely about its best state."""
    flows, *others = axes
    close = [np.clip(best[0] * np.geomspace(0.85, 1 / 0.85, counts[0]), flows[0], flows[-1])]
    for at, axis, count in zip(best[1:], others, counts[1:]):
        step = axis[1] - axis[0] if len(axis) > 1 else 0.0
        close.append(np.clip(at + step * np.linspace(-1, 1, count), axis[0], axis[-1]) if step else axis)
    return dense(case, look(case, grid(*close)), (len(close[0]), len(close[1]), len(close[2])))


def afresh(p: Problem, **changes: Any) -> Looked:
    """Predict the settings found once more, with some of them changed."""
    dial = dataclasses.replace(p.answer.settings, **changes)
    return look(p.case, np.array([[dial.airflow, dial.bed_depth, dial.inlet_air_temperature]], float))
