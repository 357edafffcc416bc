"""The trade-off of dryers between floor and running: the same however a floor is asked for, and no chance.

By hand, of batch dryers: what leaves a bed goes with its air and depth per floor area and its time. A larger floor
leaves these as they are, with less load (t = ρ L S/q − filling − emptying is the longest time, no more). So
the cost per tonne of the cheapest settings never rises with floor. On a belt t = ρ L S/q, and its bed gets thinner.
"""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from cli.test_dryers import BATCH, BELT, HEAD
from shipped import level_text

import coolsim
from coolsim.case.case import Case
from coolsim.machines.dryers import mass_of
from coolsim.output import sizes as printed
from coolsim.output.page import Page
from coolsim.scenario import loads
from coolsim.studies.sizing.answer import SizeAnswer
from coolsim.studies.sizing.find import sized
from coolsim.studies.sizing.parts import predicted
from coolsim.studies.sizing.predicted import air_parts

pytestmark = pytest.mark.thorough

# Reversed and cooled, so that its exit rises and falls in time; feed that is dried away costs most.
REVERSED = (
    HEAD
    + BATCH
    + """reverse_every = "5 min"
cooling_time = "4 min"
[target]
moisture = "11 %"
[limits]
duration = ["10 min", "60 min"]
inlet_air_temperature = ["50 degC", "90 degC"]
recirculation = ["0 %", "85 %"]
[schedule]
filling = "4 min"
emptying = "3 min"
[costs]
electricity = "0.14 /kWh"
heat = "0.04 /kWh"
feed = "1 /kg"
[sizing]
reserve = "0 %"
bed_depth = ["8 cm", "30 cm"]
"""
)
TEXTS = {
    "batch": REVERSED,
    "belt": level_text("belt-to-buy").replace("[sizing]\n", '[sizing]\nreserve = "0 %"\n'),
}
# The optimum itself; settings on dials cost a little more, and have tests of their own.
exact = functools.partial(coolsim.size, on_dial=False)


@pytest.fixture(scope="module", params=["batch", "belt"])
def asked(request) -> tuple[str, Case, SizeAnswer]:
    case = loads(TEXTS[request.param])
    return request.param, case, exact(case)


def mean_cost(answer: SizeAnswer) -> float:
    return float(np.mean([s.cost_per_tonne for s in answer.served]))


def on_floor(case: Case, floor: float) -> SizeAnswer:
    sizing = dataclasses.replace(case.sizing, above_least=None, floor_area=floor)
    return exact(dataclasses.replace(case, sizing=sizing))


def test_more_floor_costs_no_more_to_run(asked):
    """On a belt, too, within a percent: what it saves in time and heat outweighs its thinner bed up to the end."""
    kind, _, answer = asked
    costs = np.array([f.cost_per_tonne for f in answer.curve])
    assert len(costs) >= 5 and (np.diff([f.floor_area for f in answer.curve]) > 0).all()
    least = np.minimum.accumulate(costs)
    assert (costs <= least * (1 + (1e-9 if kind == "batch" else 0.01))).all()


def test_the_floor_taken_is_a_row_and_marked(asked):
    _, case, answer = asked
    floor = answer.floor_area * answer.dryers
    (row,) = [f for f in answer.curve if f.floor_area == pytest.approx(floor, rel=1e-9)]
    assert row.cost_per_tonne == pytest.approx(mean_cost(answer), rel=1e-9)
    least = min(f.cost_per_tonne for f in answer.curve)
    above = 1.10 if case.cooler.arrangement == "belt" else 1.25  # as typed, and as it is where nothing is
    assert row.cost_per_tonne <= above * least * (1 + 1e-6)
    assert all(
        f.cost_per_tonne > above * least * (1 - 0.01) for f in answer.curve if f.floor_area < row.floor_area
    )
    lines = printed.sized(case, answer, Page(width=100)).splitlines()
    (marked,) = [line for line in lines if "taken" in line]
    assert float(marked.split()[0]) == pytest.approx(
        floor, rel=3e-4
    )  # no round number: three hundredths of a percent


def test_a_floor_that_is_typed_costs_as_in_the_table(asked):
    """A small one and a large one; of a belt, of which each takes ten seconds, the large one."""
    kind, case, answer = asked
    for row in (2, -2) if kind == "batch" else (-2,):
        point = answer.curve[row]
        typed = on_floor(case, point.floor_area)
        assert typed.met and typed.dryers == 1
        assert mean_cost(typed) == pytest.approx(point.cost_per_tonne, rel=0.01)


def test_rows_are_what_predictions_say(asked):
    """The floor taken, by plain predictions: energies at their prices, feed lost by the balance of dry matter."""
    _, case, answer = asked
    prices = case.costs
    for s in answer.served:
        plant = sized(case, answer, s)
        result = coolsim.predict(plant)
        c = plant.cooler
        if c.arrangement == "batch":
            mass = plant.feed.bulk_density * c.floor_area * c.bed_depth
        else:
            mass = 3600 * plant.feed.throughput
        M, target = float(result.pellets_out.moisture_wb), case.target.moisture
        assert target >= M
        lost = (1 - plant.feed.moisture) * (1 / (1 - target) - 1 / (1 - M))
        spent = prices.electricity * result.energy.fan + prices.heat * result.energy.heat
        assert s.cost_per_tonne == pytest.approx(1e3 * (spent / mass + prices.feed * lost), rel=1e-4)


# ---- Fans -----------------------------------------------------------------------------------------------


def outside() -> tuple[float, float]:
    """Humidity ratio and m³ per kg of dry air at 20 °C and 60 %; Magnus' formula and the gas law, from memory."""
    p = 0.6 * 611.2 * np.exp(17.62 * 20.0 / (243.12 + 20.0))
    Y = 0.622 * p / (101325.0 - p)
    return Y, 287.05 * 293.15 * (1 + Y / 0.622) / 101325.0


@pytest.mark.parametrize(("cooler", "time", "dry_mass"), [(BATCH, 1200.0, 0.8), (BELT, 3600.0, 0.8)])
def test_a_fan_is_bought_for_its_mean_flow(cooler, time, dry_mass):
    """By hand: of air G, a share r blown in again, (1 - r) G leaves with the water W that the feed lost in time t.
    So air comes in with Y + r/(1 - r) W/(G t) in the mean; volume is linear in that, at 80 °C by the gas law. Steps
    are weighed as they end, which is off by half of what changes within one: within a percent of all.
    """
    r = 0.9
    case = loads(HEAD + cooler + f'recirculation = "{r:.0%}"\n[sizing]\nmargin = "0 %"\n')
    (plant,) = predicted([case])
    out = plant.result.pellets_out.moisture_wb
    mass = 600.0 if cooler is BELT else case.feed.bulk_density * 2.0 * 0.12
    water = mass * dry_mass * (0.2 / 0.8 - float(out) / (1 - float(out)))
    Y, volume = outside()
    G = 2000 / 3600 / volume
    humid = Y + r / (1 - r) * water / (G * time)
    flow = G * 287.05 * 353.15 * (1 + humid / 0.622) / 101325.0
    (part,) = air_parts(case, [plant])
    assert part.fan.flow == pytest.approx(flow, rel=0.01)


@pytest.mark.parametrize("asked", ["batch"], indirect=True)
def test_no_batch_drawn_at_random_runs_cheaper_on_the_floors_of_the_table(asked):
    """The two smallest floors against 300 batches each, by `predict` alone.

    By hand, per tonne of wet feed at 1 /kg: solid × (1/(1 − target) − 1/(1 − M)) is given away; heat at 0.04, fans
    at 0.14 /kWh. Once the first row was told at 20 per tonne.
    """
    _, case, answer = asked
    rng, target = np.random.default_rng(7), case.target.moisture
    for row in answer.curve[:2]:
        cases = [one for one in (drawn(case, row.floor_area, rng) for _ in range(300)) if one]
        r = coolsim.predict(cases)
        M, mass = r.pellets_out.moisture_wb, np.array([mass_of(one) for one in cases])
        kept = (target >= M) & (r.in_store.water_activity <= 0.7) & (r.bed.lift_off <= 0.7)
        assert kept.sum() >= 3
        lost = 1e3 * (1 - case.feed.moisture) * np.maximum(1 / (1 - target) - 1 / (1 - M), 0.0)
        cost = lost * 1.0 + 1e3 * (0.04 * r.energy.heat + 0.14 * r.energy.fan) / mass / 3.6e6
        assert row.cost_per_tonne <= 1.02 * cost[kept].min()


def drawn(case: Case, floor: float, rng: np.random.Generator) -> Case | None:
    """A batch on a floor, dried for nearly all the time that it leaves; None where that is less than its range."""
    depth = float(np.exp(rng.uniform(np.log(0.08), np.log(0.15))))
    cooler, turns = case.cooler, case.schedule
    longest = case.feed.bulk_density * depth * floor / case.feed.throughput
    longest -= turns.filling + turns.emptying + cooler.cooling_time
    if longest < 700.0:
        return None
    set_so = dataclasses.replace(
        cooler,
        floor_area=floor,
        airflow=floor / cooler.floor_area * cooler.airflow,
        bed_depth=depth,
        recirculation=float(rng.uniform(0.0, 0.85)),
        inlet_air_temperature=float(rng.uniform(50.0, 90.0)),
        duration=float(rng.uniform(0.9, 1.0)) * min(longest, 3600.0),
        heater_power=None,
    )
    return dataclasses.replace(case, cooler=set_so)
