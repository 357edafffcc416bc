"""Evaporation off: the bed is a counter-flow heat exchanger, and the solver must say so (model.md §7.1)."""

from __future__ import annotations

import numpy as np
import pytest
from laws.exact import SEALED, bed, constant_heat_transfer, effectiveness, humidity_ratio, run

from coolsim.model.surface import Laws

C_AIR, C_WATER = 1006.0, 4186.0  # J/(kg K), ASHRAE eq. 28 and 33
# The scheme's own error: measured at NTU 8, 2.2e-3 K at 16 cells, 7e-4 at 32, 1.0e-4 at 64, 1.7e-5 at 128.
TOLERANCE = 1e-4  # K


def sealed_exit(NTU: float, ratio: float, conductivity: float):
    """Exit of a bed with these numbers of an exchanger; feed at 80 °C, air at 20 °C, dry."""
    h, R, eps, Gs, c_d, X = 150.0, 2e-3, 0.42, 0.5, 1700.0, 0.2
    C_solid = Gs * (c_d + C_WATER * X)
    # the air is the lesser stream: ratio = C_air/C_solid
    Ga = ratio * C_solid / C_AIR
    U = 1 / (1 / h + R / (5 * conductivity))
    depth = NTU * Ga * C_AIR / (U * 3 * (1 - eps) / R)
    one = bed(
        radius=R, void_fraction=eps, solid_flux=Gs, specific_heat=c_d, feed_moisture_db=X, air_flux=Ga, depth=depth,
        conductivity=conductivity, feed_temperature=80.0,
    )  # fmt: skip
    return run(one, Laws(moisture=SEALED, heat_transfer=constant_heat_transfer(h)), cells=128)


@pytest.mark.parametrize("ratio", [0.2, 0.7, 1.0])
@pytest.mark.parametrize("NTU", [0.3, 2.0, 8.0, 30.0])
@pytest.mark.parametrize("conductivity", [1e6, 0.2], ids=["no resistance inside", "k 0.2"])
def test_counter_flow_exchanger(NTU, ratio, conductivity):
    """The air warms by ε of the 60 K, the pellets cool by ε C*; a bed of k = 1e6 has U = h (within 6e-8)."""
    out, share = sealed_exit(NTU, ratio, conductivity), effectiveness(NTU, ratio)
    assert out.air_temperature == pytest.approx(20 + 60 * share, abs=TOLERANCE)
    assert out.temperature == pytest.approx(80 - 60 * share * ratio, abs=TOLERANCE)
    assert out.moisture == pytest.approx(0.2, abs=1e-12)


@pytest.mark.parametrize(
    "depth, pellets, air", [(0.05, 52.2295, 75.5895), (0.10, 50.3098, 79.4324)], ids=["0.05 m", "0.10 m"]
)
def test_resistance_inside_the_pellet(depth, pellets, air):
    """model.md §7.1 (computed): 1/U = 1/h + R/(5k)."""
    one = bed(
        radius=2.4e-3, conductivity=0.2, void_fraction=0.42, solid_flux=0.84, feed_moisture_db=0.190476,
        specific_heat=1600.0, air_flux=1.0, depth=depth, feed_temperature=80.0,
    )  # fmt: skip
    out = run(one, Laws(moisture=SEALED, heat_transfer=constant_heat_transfer(150.0)))
    # four decimals are printed
    assert out.temperature == pytest.approx(pellets, abs=TOLERANCE)
    assert out.air_temperature == pytest.approx(air, abs=TOLERANCE)


def test_too_little_air_cools_no_further_than_the_pinch():
    """model.md §7.1 (computed): 0.9 kg air per kg wet feed, air 20 °C/60 %: however deep, 52.06 °C."""
    X, Y = 0.17, humidity_ratio(20.0, 0.6)
    one = bed(
        feed_moisture_db=X, specific_heat=1600.0, solid_flux=0.5, air_flux=0.9 * 0.5 * (1 + X), depth=3.0,
        feed_temperature=80.0, inlet_humidity_ratio=Y,
    )  # fmt: skip
    out = run(one, Laws(moisture=SEALED))
    assert out.temperature == pytest.approx(52.06, abs=0.005)  # two decimals are printed
    assert out.air_temperature == pytest.approx(80.0, abs=1e-6)  # ε = 1 to rounding at this depth


def test_pellets_follow_the_exchanger_all_the_way_down():
    """C* = 1: both temperatures are straight lines, and the scheme is exact on straight lines."""
    s = sealed_exit(3.0, 1.0, 0.2).solution
    T = s.state.points[:, 2]
    z = s.problem.z
    from coolsim.model.counterflow import stage_positions

    np.testing.assert_allclose(T[..., 0], 80 - 60 * 0.75 * stage_positions(z)[..., 0], atol=1e-8)
