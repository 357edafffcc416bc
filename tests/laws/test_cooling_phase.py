"""A batch that is cooled before it is emptied: exact heat exchange, balances of the phase by itself, orders.

The phases are those that a scenario makes, so what they say of heater and recirculation is what is tried.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from cli.test_dryers import BATCH, HEAD
from laws.dryers import CORN, ONE, SPHERE, along, assert_sound, at_points, exhaust, schumann
from laws.exact import SEALED, bed, constant_heat_transfer

from coolsim.case.case import Case
from coolsim.model import dryer as dr
from coolsim.model import drying
from coolsim.model.drying import Pellet, Phase, Resolution
from coolsim.model.surface import Laws
from coolsim.numerics.stages import over_step
from coolsim.scenario import loads
from coolsim.simulate.dryer_phases import gathered, phases_and_pellets
from coolsim.simulate.inputs import bed_of

SCENARIO = HEAD + BATCH.replace("80 degC", "60 degC")  # as warm as its pellets


def batch(more: str) -> Case:
    return loads(SCENARIO + more)


def phases_of(case: Case, **seconds: float) -> tuple[Phase, ...]:
    """Its phases, the cooling of another length."""
    cooler = dataclasses.replace(case.cooler, **seconds)
    case = dataclasses.replace(case, cooler=cooler)
    return phases_and_pellets([case], gathered([case]))[0]


# ---- Heat alone -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("xi, tau", [(4.0, 4.0), (6.0, 4.0), (2.0, 2.0), (20.0, 10.0)])
@pytest.mark.parametrize("more", ["", 'recirculation = "80 %"\nheater_power = "50 kW"\n'])
def test_a_warm_bed_cools_as_schumann_says(xi, tau, more):
    """Nothing evaporates, and the drying air is as warm as the pellets: the bed is still even when its heater goes
    off. From then on air of 20 °C meets a bed of 60 °C: by symmetry to the bed that is warmed, at ξ and τ since
    then, air (T − 20)/40 = 1 − J(ξ, τ), pellets at ζ of the depth J(τ, ξ ζ). Any air that came back, and any heat,
    would show. Air of 20 °C, 60 %: c = 1006 + 1860 Y."""
    h, R, X = 80.0, 2e-3, 0.2
    case = batch(more)
    (first, _) = phases_of(case, cooling_time=1.0)
    Ga, Y = float(first.air_flux[0]), float(first.supply.fresh_humidity_ratio[0])
    a, capacity = 3 * 0.58 / R, 900.0 * 0.58 * (1800.0 + 4186.0 * X)
    seconds = tau * capacity / (h * a)
    (s,) = drying.solve(
        bed(
            radius=R, depth=xi * Ga * (1006.0 + 1860.0 * Y) / (h * a), conductivity=1e6, feed_moisture_db=X,
            feed_temperature=60.0,
        ),
        phases_of(case, cooling_time=seconds), Pellet(SPHERE * ONE, 0.0 * ONE),
        Laws(moisture=SEALED, heat_transfer=constant_heat_transfer(h)),
        Resolution(32, 4, 0, 4e-4),
    )  # fmt: skip
    assert s.converged.all()
    warm = dr.temperature(s.dryer, s.marches[0].pellets)
    np.testing.assert_allclose(warm, 60.0, atol=1e-6)
    assert (exhaust(s)[0] - 20) / 40 == pytest.approx(1 - schumann(xi, tau), abs=3e-4)
    expected = np.array([schumann(tau, xi * zeta) for zeta in along(s)])
    got = (at_points(s)[1] - 20) / 40
    np.testing.assert_allclose(
        got.reshape(-1, 2).mean(axis=1), expected.reshape(-1, 2).mean(axis=1), atol=1.5e-3
    )


# ---- Balances of the phase by itself --------------------------------------------------------------------


@pytest.mark.parametrize(
    "more",
    ["", 'recirculation = "90 %"\nreverse_every = "3 min"\nair_direction = "down"\nshrinkage = "80 %"\n'],
)
def test_what_the_pellets_give_is_what_the_air_carries_off(more):
    """While cooled: dry solid · (H, X before − after) = ∫ Ga (h, Y out − outside) dt, summed here from the steps;
    and nothing is heated."""
    case = batch(more + 'cooling_time = "7 min"\n')
    s = solved(case)
    cooling, march = s.phases[1], s.marches[1]
    w = dr.point_weights(s.dryer.z)
    b = s.dryer.bed
    solid = b.solid_density * (1 - b.void_fraction) * b.depth
    before, after = s.marches[0].pellets, march.pellets
    water = solid * (w * (dr.means(s.dryer, before.moisture)[0] - dr.means(s.dryer, after.moisture)[0])).sum(
        0
    )
    heat = solid * (w * (before.enthalpy - after.enthalpy)).sum(0)
    carried = np.zeros(2)
    for record in march.records:
        out = np.array(over_step(record.outlet))[:, 0]
        fresh = np.array([cooling.supply.fresh_humidity_ratio[0], cooling.supply.fresh_enthalpy[0]])
        carried += float(cooling.air_flux[0] * record.duration[0]) * (out - fresh)
        assert (record.heat == 0).all()
        np.testing.assert_allclose(record.inlet[..., 0], np.stack([fresh, fresh], axis=1), rtol=1e-9)
    assert water[0] == pytest.approx(carried[0], rel=1e-6, abs=1e-8 * float(solid[0]))
    assert heat[0] == pytest.approx(carried[1], rel=1e-7)
    assert_sound([s], 1)


def test_drying_is_as_without_the_cooling_and_heat_is_all_of_it():
    """To the last bit: what comes later changes nothing, and only the drying is heated."""
    bare, cooled = (solved(batch(more)) for more in ("", 'cooling_time = "7 min"\n'))
    assert len(bare.phases) == 1 and len(cooled.phases) == 2
    for name in ("moisture", "enthalpy"):
        one, two = (getattr(s.marches[0].pellets, name) for s in (bare, cooled))
        np.testing.assert_array_equal(one, two)
    assert cooled.totals[0].heat == bare.totals[0].heat and cooled.totals[1].heat == 0


def test_air_comes_from_the_first_side_again_when_the_heater_goes_off():
    """20 min with reversals every 6 end on the other side; the cooling begins on the first and turns after 6."""
    s = solved(batch('reverse_every = "6 min"\nair_direction = "down"\ncooling_time = "8 min"\n'))
    last, cooling = s.marches[0].records[-1], s.marches[1].records
    assert not last.from_above[0]
    for record in cooling:
        assert record.from_above[0] == (record.time[0] <= 360.0 + 1e-9)


def solved(case: Case) -> drying.Solution:
    inputs = gathered([case])
    phases, pellets, _ = phases_and_pellets([case], inputs)
    (s,) = drying.solve(bed_of(inputs), phases, pellets, resolution=Resolution(refinements=0))
    return s


# ---- Order ----------------------------------------------------------------------------------------------


@pytest.mark.thorough
@pytest.mark.parametrize("seconds", [150.0, 400.0])
def test_steps_are_of_third_order_across_the_switch(seconds):
    """As without one (test_march): each step's error falls as its cube, and a bend is of second order in a step.

    A dozen steps err by signs of their own choice, so the order is told from thirty steps on."""
    case = batch('recirculation = "30 %"\nreverse_every = "200 s"\n')
    phases = phases_of(case, duration=500.0, cooling_time=seconds)
    numbers: dict[str, Any] = {"D": 7e-10, "Ea": 26e3, "isotherm": CORN, "feed_moisture_db": 0.3}

    def end(tolerance: float) -> tuple[np.ndarray, int]:
        (s,) = drying.solve(
            bed(depth=0.1, feed_temperature=30.0, **numbers), phases, Pellet(SPHERE * ONE, 0.0 * ONE),
            resolution=Resolution(4, 6, 0, tolerance, estimate=False, enough=1e-8),
        )  # fmt: skip
        return np.array(drying.mean_exit(s))[:, 0], sum(len(m.records) for m in s.marches)

    exact, _ = end(1e-5)
    (coarse, few), (fine, many) = end(0.1 / 16), end(0.1 / 1024)
    assert many > 6 * few
    errors = np.abs(coarse - exact), np.abs(fine - exact)
    order = np.log(errors[0] / errors[1]) / np.log(many / few)
    assert (order > 2.5).all(), order
