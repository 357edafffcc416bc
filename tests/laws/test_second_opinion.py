"""The product against a second program for the same cooler, and that program against exact answers."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from laws import resolved_pellet as rp
from laws.resolved_pellet_bed import Bed, Sorption

EXACT = (96, 16), (192, 32)  # cells matter more than shells here
QUICK = ("pig pellets, humid", "hot inlet air, wet feed")  # where heat inside the pellet is resolved: slow
every_case = pytest.mark.parametrize("name", rp.CASES)


@functools.cache
def opinion(name, resolved_heat):
    return rp.second_opinion(rp.CASES[name], resolved_heat)


# --- the second opinion stands on its own ---------------------------------------------------------------


@pytest.mark.thorough
@every_case
@pytest.mark.parametrize("resolved_heat", [False, True])
def test_opinion_is_converged(name, resolved_heat):
    answer = opinion(name, resolved_heat)
    assert answer["error_moisture_wb"] < 0.5e-4
    assert answer["error_temperature"] < 0.05
    assert abs(answer["water_imbalance"]) < 2e-4
    assert abs(answer["energy_imbalance"]) < 6e-4


def sphere(radius, **changes):
    """A case whose pellets have this radius (an endless cylinder: Rp = 3/4 d)."""
    return rp.PIG | {"diameter": radius * 4.0 / 3.0, "length": 1e6, "Ea": 0.0} | changes


@pytest.mark.parametrize(
    "depth, pellets, air", [(0.05, 52.2295, 75.5895), (0.10, 50.3098, 79.4324)], ids=["0.05 m", "0.10 m"]
)
def test_lumped_heat_exchange_is_exact(depth, pellets, air):
    """ε-NTU of a counter-flow exchanger whose resistance is 1/h + Rp/(5k)."""
    X = 0.190476
    case = sphere(
        2.4e-3, c_d=1600.0, depth=depth, moisture_wb=X / (1 + X), feed_flux=0.84 * (1 + X),
        air_ratio=1.0 / (0.84 * (1 + X)), feed_temperature=80.0, air_temperature=20.0, relative_humidity=0.0,
    )  # fmt: skip

    def film(Xs, Ts, Ta, Y, evaporation):
        return 0.0 * Ts, 150.0 * (Ts - Ta)

    answer = rp.second_opinion(case, False, EXACT, film)
    assert answer["T_out"] == pytest.approx(pellets, abs=2e-3)
    assert answer["Ta_out"] == pytest.approx(air, abs=2e-3)


# Fo, E = Ga/(Gs K), share of the way to equilibrium with the entering air: Crank's finite bath with α = −E
EXACT_SPHERES = [
    (0.05, 2.0, 0.574064), (0.1, 2.0, 0.723858), (0.3, 2.0, 0.931480),
    (0.1, 0.5, 0.479666), (0.3, 0.5, 0.499779), (0.1, 4.0, 0.749335),
]  # fmt: skip


@pytest.mark.thorough
@pytest.mark.parametrize("Fo, E, share", EXACT_SPHERES)
def test_water_in_a_sphere_in_counter_flow_is_exact(Fo, E, share):
    D, K, X, Gs = 1e-9, 2.0, 0.01, 0.5
    case = sphere(
        2e-3, D_ref=D, moisture_wb=X / (1 + X), feed_flux=Gs * (1 + X), air_ratio=E * K / (1 + X),
        air_temperature=20.0, relative_humidity=0.1,
    )  # fmt: skip
    bed = Bed(case, False, 4, 4)
    case["depth"] = Fo * bed.R**2 / D * Gs / (bed.rho * (1.0 - case["void"]))

    def film(Xs, Ts, Ta, Y, evaporation):
        return 1e4 * evaporation * (Xs / K - Y), 10.0 * (Ts - Ta)

    answer = rp.second_opinion(case, False, EXACT, film)
    assert (X - answer["X_out"]) / (X - K * bed.Y_in) == pytest.approx(share, abs=1e-4)


@pytest.mark.parametrize("Fo, E, share", EXACT_SPHERES)
def test_heat_in_a_sphere_in_counter_flow_is_exact(Fo, E, share):
    """The same solution holds for conduction, with Fo = k t/(ρ_d c_d Rp²) and E = Ga c_p/(Gs c_d)."""
    dry = 1e-9
    case = sphere(
        2e-3,
        moisture_wb=dry,
        air_ratio=E * rp.PIG["c_d"] / 1006.0,
        air_temperature=20.0,
        relative_humidity=0.0,
    )
    bed = Bed(case, True, 4, 4)
    time = Fo * bed.R**2 * bed.rho * case["c_d"] / case["k"]
    case["depth"] = time * bed.Gs / (bed.rho * (1.0 - case["void"]))

    def film(Xs, Ts, Ta, Y, evaporation):
        return 0.0 * Ts, 1e7 * (Ts - Ta)

    answer = rp.second_opinion(case, True, EXACT, film)
    assert (82.0 - answer["T_out"]) / 62.0 == pytest.approx(share, abs=1e-4)


def test_desorption_heat_is_the_integral_of_its_slope():
    sorption = Sorption("modified-chung-pfost", (312.3, 0.16958, 30.205), fat=0.0)
    wet, dry = sorption.Q(np.array([0.19, 0.14]))
    assert wet - dry == pytest.approx(9000.0, abs=1.0)


# --- the product against it -----------------------------------------------------------------------------


def as_case(c):
    """One of the dicts above as a Case of the product."""
    from coolsim.case.case import Case
    from coolsim.case.machine import Cooler
    from coolsim.case.streams import Air, Feed
    from coolsim.physics.materials import Diffusivity, Isotherm, Material

    material = Material(
        name="second opinion",
        isotherm=Isotherm(equation=c["isotherm"], constants=c["constants"], fat=c["fat"]),
        diffusivity=Diffusivity(
            value=c["D_ref"], at=c["D_at"], activation_energy=c["Ea"], moisture_slope=c["b"],
            at_moisture=c["X_ref"],
        ),
        specific_heat=c["c_d"], conductivity=c["k"], bulk_density=c["bulk_density"], void_fraction=c["void"],
    )  # fmt: skip
    area = 2.0
    feed = Feed(
        diameter=c["diameter"], length=c["length"], throughput=c["feed_flux"] * area,
        temperature=c["feed_temperature"], moisture=c["moisture_wb"], bulk_density=c["bulk_density"],
        void_fraction=c["void"],
    )  # fmt: skip
    air = Air(
        temperature=c["air_temperature"], relative_humidity=c["relative_humidity"], pressure=c["pressure"]
    )
    cooler = Cooler(
        floor_area=area, bed_depth=c["depth"], air_ratio=c["air_ratio"],
        inlet_air_temperature=c["inlet_air_temperature"],
    )  # fmt: skip
    return Case(title="second opinion", material=material, feed=feed, air=air, cooler=cooler)


def compare(name, resolved_heat):
    """How far the product is from the second opinion: moisture (wet basis), temperatures, humidity ratio."""
    from coolsim.simulate.prediction import predict

    ours, theirs = predict(as_case(rp.CASES[name])), opinion(name, resolved_heat)
    return {
        "moisture_wb": ours.pellets_out.moisture_wb - theirs["moisture_wb"],
        "temperature": ours.pellets_out.temperature - theirs["T_out"],
        "air_temperature": ours.air_out.temperature - theirs["Ta_out"],
        "humidity_ratio": ours.air_out.humidity_ratio - theirs["Y_out"],
    }


@every_case
def test_product_solves_its_equations(name):
    """Same equations, two programs: what differs is an error in one of them."""
    off = compare(name, resolved_heat=False)
    assert abs(off["moisture_wb"]) < 0.5e-4, off
    assert abs(off["temperature"]) < 0.05, off
    assert abs(off["air_temperature"]) < 0.05, off
    assert abs(off["humidity_ratio"]) < 5e-5, off


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=[pytest.mark.thorough] * (n not in QUICK)) for n in rp.CASES]
)
def test_mean_temperature_and_surface_diffusivity_cost_little(name):
    """What the product leaves out, the temperature profile, moves the exit by less than 0.05 point."""
    off = compare(name, resolved_heat=True)
    assert abs(off["moisture_wb"]) < 5e-4, off
    assert abs(off["temperature"]) < 0.25, off
