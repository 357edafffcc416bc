"""Duct loss and false air, by hand."""

import numpy as np
import pytest

from coolsim.case.case import DuctData
from coolsim.equipment.duct import AirState, Duct, demand, duct_of, loss, with_false_air

R_AIR = 287.042  # J/(kg K)
DRY_20, DRY_40 = AirState(20.0, 0.0), AirState(40.0, 0.0)


def test_loss_is_quadratic_and_goes_with_density() -> None:
    duct = Duct(pressure_loss=250.0, reference_flow=0.5)
    assert loss(duct, 0.5, 1.2) == 250.0
    # twice the flow, three quarters of the density: 4 · 0.75 · 250
    np.testing.assert_allclose(loss(duct, np.array([0.0, 1.0]), 0.9), [0.0, 750.0], rtol=1e-12)


def test_duct_of_tables() -> None:
    duct = duct_of(DuctData(pressure_loss=(250.0, 0.5), leakage=0.05))
    assert (duct.pressure_loss, duct.reference_flow, duct.leakage) == (250.0, 0.5, 0.05)
    assert loss(duct_of(DuctData()), 3.0, 1.2) == 0.0 and duct_of(DuctData()).leakage == 0.0


def test_mixing_keeps_air_water_and_enthalpy() -> None:
    mixed = with_false_air(AirState(50.0, 0.04), AirState(10.0, 0.005), 0.2)
    # Y = 0.8 · 0.04 + 0.2 · 0.005 = 0.033; enthalpies [kJ/kg]: 1.006 · 50 + 0.04 (2501 + 93) = 154.06 and
    # 10.06 + 0.005 (2501 + 18.6) = 22.658; mixed 127.7796; T = (127.7796 − 0.033 · 2501)/(1.006 + 0.033 · 1.86)
    assert mixed.humidity_ratio == pytest.approx(0.033, rel=1e-12)
    assert mixed.temperature == pytest.approx((127.7796 - 82.533) / 1.06738, rel=1e-9)
    alone = with_false_air(AirState(50.0, 0.04), AirState(10.0, 0.005), 0.0)
    assert alone.temperature == pytest.approx(50.0, rel=1e-12) and alone.humidity_ratio == 0.04


def test_a_blow_through_fan_sees_outside_air() -> None:
    duct = Duct(pressure_loss=300.0, reference_flow=1.0, leakage=0.2)
    asked = demand(duct, "blow-through", 0.8, 1000.0, DRY_20, DRY_40, 1e5)
    rho = 1e5 / (R_AIR * 293.15)
    assert asked.flow == pytest.approx(1.0, rel=1e-12)  # 0.8/(1 − 0.2)
    assert asked.density == pytest.approx(rho, rel=1e-12)
    assert asked.pressure == pytest.approx(1000.0 + 300.0 * rho / 1.2, rel=1e-12)


def test_a_draw_through_fan_sees_exhaust_and_false_air_below_the_barometer() -> None:
    asked = demand(Duct(leakage=0.25), "draw-through", 0.75, 2000.0, DRY_20, DRY_40, 1e5)
    # dry air of one heat capacity: 0.75 · 40 + 0.25 · 20 = 35 °C; 0.75 m³/s of outside air are 0.75/(1 − 0.25)
    # = 1 m³/s for the fan at 20 °C and 100 kPa, and at 35 °C and 98 kPa
    assert asked.flow == pytest.approx(308.15 / 293.15 / 0.98, rel=1e-12)
    assert asked.density == pytest.approx(98e3 / (R_AIR * 308.15), rel=1e-12)
    assert asked.pressure == 2000.0


def test_no_leak_no_heat_no_loss_changes_nothing() -> None:
    for position in ("draw-through", "blow-through"):
        asked = demand(Duct(), position, np.array([0.5, 1.5]), 0.0, DRY_20, DRY_20, 1e5)
        np.testing.assert_allclose(asked.flow, [0.5, 1.5], rtol=1e-12)


def test_the_mass_of_air_at_the_fan_is_that_of_bed_and_leak() -> None:
    duct = Duct(pressure_loss=500.0, reference_flow=1.0, leakage=0.1)
    outside, exhaust = AirState(5.0, 0.004), AirState(45.0, 0.05)
    asked = demand(
        duct, "draw-through", np.array([0.6, 1.2]), np.array([400.0, 1500.0]), outside, exhaust, 9e4
    )
    # dry air through the bed: volume of outside air over R T (1 + 1.607858 Y)/p; moist at the fan: 1 + Y_mixed
    bed = np.array([0.6, 1.2]) * 9e4 / (R_AIR * 278.15 * (1 + 1.607858 * 0.004))
    moist = bed / 0.9 * (1 + 0.9 * 0.05 + 0.1 * 0.004)
    np.testing.assert_allclose(asked.flow * asked.density, moist, rtol=1e-12)
