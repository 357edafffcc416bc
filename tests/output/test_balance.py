"""Where water and heat go: numbers worked by hand, the heat of an isotherm by its integral, and the widths."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pytest
from numpy.testing import assert_allclose
from output.pictures import answer, case, heated, heated_answer

import coolsim
from coolsim import plots
from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.simulate.balances import Balance, heat_balance, water_balance


@pytest.fixture(autouse=True)
def canvas() -> Iterator[None]:
    plt.switch_backend("agg")
    yield
    plt.close("all")


CORN = """
title = "corn"
[feed]
material = "custom"
diameter = "4 mm"
length = "8 mm"
throughput = "1000 kg/h"
temperature = "80 degC"
moisture = "16 %"
[air]
temperature = "20 degC"
relative_humidity = "60 %"
[cooler]
arrangement = "counter-flow"
floor_area = "1 m2"
bed_depth = "0.8 m"
airflow = "900 m3/h"
[material]
specific_heat = "1600 J/(kg K)"
conductivity = "0.20 W/(m K)"
bulk_density = "600 kg/m3"
void_fraction = "42 %"
[material.sorption]
equation = "modified-chung-pfost"
A = 312.3
B = 0.16958
C = 30.205
[material.diffusivity]
value = "1e-7 m2/s"
at = "60 degC"
activation_energy = "26 kJ/mol"
"""


def corn() -> Case:
    from coolsim.scenario import loads

    return loads(CORN)


def by_hand() -> tuple[Result, Case]:
    """An answer in round numbers: 1 kg/s of feed at 20 % and 80 °C, 1 kg/s of dry air, 20 °C outside."""
    r, c = answer(), case()
    feed = dataclasses.replace(c.feed, throughput=1.0, moisture=0.2, temperature=80.0)
    c = dataclasses.replace(
        c,
        feed=feed,
        air=dataclasses.replace(c.air, temperature=20.0),
        material=dataclasses.replace(c.material, specific_heat=1500.0),
    )
    profile = dataclasses.replace(
        r.profile, humidity_ratio=np.array([0.03, 0.01]), air_temperature=np.array([50.0, 20.0])
    )
    out = dataclasses.replace(
        r.pellets_out, temperature=25.0, moisture_db=0.225, moisture_wb=0.225 / 1.225, mass_flow=0.98
    )
    return dataclasses.replace(
        r,
        feed_in=dataclasses.replace(r.feed_in, temperature=80.0, moisture_wb=0.2, flash_loss_wb=0.0),
        pellets_out=out,
        air_out=dataclasses.replace(r.air_out, temperature=50.0, humidity_ratio=0.03),
        bed=dataclasses.replace(r.bed, air_ratio=1.0, evaporation=0.02),
        accuracy=dataclasses.replace(r.accuracy, energy_imbalance=0.01, water_imbalance=0.0),
        profile=profile,
    ), c


def test_water_by_hand() -> None:
    flows = water_balance(*by_hand())
    # 0.8 kg/s dry solid takes 0.2 in and 0.8 · 0.225 = 0.18 out; the air takes 0.01 in and 0.03 out
    assert_allclose(list(flows.enters.values()), [0.2, 0.01], rtol=1e-12)
    assert list(flows.enters) == ["feed", "air"]
    assert list(flows.leaves) == ["pellets", "given to the air", "air, as it came"]
    assert_allclose(list(flows.leaves.values()), [0.18, 0.02, 0.01], rtol=1e-12)
    assert abs(flows.unaccounted) < 1e-12


def test_water_that_flashes_never_reaches_the_bed() -> None:
    result, c = by_hand()
    X = 0.24  # of the 0.25 that it had
    result = dataclasses.replace(
        result,
        feed_in=dataclasses.replace(result.feed_in, moisture_wb=X / (1 + X), flash_loss_wb=0.2 - X / (1 + X)),
    )
    flows = water_balance(result, c)
    assert_allclose(flows.leaves["flashed before the bed"], 0.8 * (0.25 - X), rtol=1e-9)
    assert_allclose(flows.unaccounted, -0.8 * (0.25 - X), rtol=1e-9)  # the rest stands as it was


def test_heat_by_hand() -> None:
    flows = heat_balance(*by_hand())
    brought = 0.8 * (1500 + 4186 * 0.25) * 60
    carried = 0.8 * (1500 + 4186 * 0.225) * 5
    warmed = (1006 + 1860 * 0.01) * 30
    evaporated = 0.02 * (2501e3 + 1860 * 50 - 4186 * 20)
    assert_allclose(flows.enters["feed"], brought, rtol=1e-12)
    assert list(flows.enters) == ["feed"]
    assert_allclose(flows.leaves["pellets"], carried, rtol=1e-12)
    assert_allclose(flows.leaves["warming the air"], warmed, rtol=1e-12)
    assert_allclose(flows.leaves["evaporation"], evaporated, rtol=1e-12)
    assert_allclose(
        flows.unaccounted, 0.01 * brought, rtol=1e-9
    )  # the imbalance is a share of the feed's heat
    assert_allclose(
        flows.leaves["freeing bound water"], 0.99 * brought - carried - warmed - evaporated, rtol=1e-9
    )


def test_heat_that_frees_bound_water_is_the_integral_of_the_isotherm() -> None:
    c = corn()
    result = coolsim.predict(c)
    # Diffusion so quick that a pellet is evenly moist. Chung–Pfost: ∂ln a_w/∂T = A exp(−B M%)/(T+C)², so at 40 °C
    # ∫ R_v T² ∂ln a_w/∂T dX = R_v T² A/(T+C)² [exp(−100 B X)]/(100 B); from .19 to .14 it is 9.00 kJ/kg.
    Q = 461.5 * 313.15**2 * 312.3 / (40 + 30.205) ** 2 / 16.958
    assert Q * (np.exp(-16.958 * 0.14) - np.exp(-16.958 * 0.19)) == pytest.approx(9000, rel=1e-3)
    X_in, X_out = 0.16 / 0.84, float(result.pellets_out.moisture_db)
    assert X_in - X_out > 0.02
    expected = 1000 / 3600 * 0.84 * Q * (np.exp(-16.958 * X_out) - np.exp(-16.958 * X_in))
    assert_allclose(
        heat_balance(result, c).leaves["freeing bound water"], expected, rtol=1e-3
    )  # R_v to 4 digits


def total(streams: Any) -> float:
    return sum(streams.values())


SETTINGS: dict[str, dict[str, Any]] = {
    "as it is": {},
    "heated": {"cooler.inlet_air_temperature": "60 degC"},
    "cold feed, which condenses": {"feed.temperature": "5 degC", "air.temperature": "35 degC"},
    "feed as warm as outside": {"feed.temperature": "31 degC", "air.relative_humidity": "20 %"},
    "boiling feed": {"feed.temperature": "115 degC", "feed.moisture": "20 %"},
}


@pytest.mark.parametrize("changes", SETTINGS.values(), ids=SETTINGS)
def test_all_that_enters_leaves_and_nothing_is_below_zero(changes: dict[str, Any]) -> None:
    c = coolsim.replace(case(), changes)
    result = coolsim.predict(c)
    for flows in (water_balance(result, c), heat_balance(result, c)):
        assert min(*flows.enters.values(), *flows.leaves.values()) > 0
        assert_allclose(total(flows.enters), total(flows.leaves) + flows.unaccounted, rtol=1e-12)
        assert abs(flows.unaccounted) < 1e-6 * total(flows.enters)
    assert len(plots.balance(result, c)) == 2


def test_what_turns_round_is_named_for_it() -> None:
    c = coolsim.replace(case(), SETTINGS["cold feed, which condenses"])
    heat = heat_balance(coolsim.predict(c), c)
    assert "condensation" in heat.enters and "feed, cooler than outside" in heat.leaves
    c = coolsim.replace(case(), SETTINGS["boiling feed"])
    assert "flashed before the bed" in water_balance(coolsim.predict(c), c).leaves


def widths(axis: Any) -> dict[tuple[str, float], float]:
    """Return the height of each band at its outer end, by name and end (0 left, 1 right)."""
    found = {}
    for patch in axis.patches:
        if patch.get_gid():
            corners = patch.get_path().vertices
            end = corners[0, 0]
            at_end = corners[corners[:, 0] == end, 1]
            found[patch.get_gid(), end] = np.ptp(at_end)
    return found


@pytest.mark.parametrize("hot", [False, True], ids=["as it is", "heated"])
def test_widths_are_the_streams_and_sum_to_the_balance(hot: bool) -> None:
    c, result = (heated(), heated_answer()) if hot else (case(), answer())
    both: list[tuple[Any, Balance]] = list(
        zip(plots.balance(result, c), (water_balance(result, c), heat_balance(result, c)), strict=True)
    )
    for axis, flows in both:
        bands, whole = widths(axis), total(flows.enters)
        for end, streams in ((0.0, flows.enters), (1.0, flows.leaves)):
            drawn = {name: width for (name, at), width in bands.items() if at == end}
            assert drawn.keys() == streams.keys()
            for name, width in drawn.items():
                assert_allclose(width, streams[name] / whole, rtol=1e-6)
            assert_allclose(sum(drawn.values()), 1.0, rtol=1e-6)


def test_the_diagram_writes_each_stream() -> None:
    water, heat = plots.balance(*by_hand())
    words = [t.get_text() for t in (*water.texts, *heat.texts)]
    assert "feed\n720 kg/h, 95.2 %" in words and "given to the air\n72 kg/h, 34.3 %" not in words
    assert "given to the air\n72 kg/h, 9.52 %" in words
    assert any(w.startswith("warming the air\n30.7 kW") for w in words)  # (1006 + 18.6) · 30 W
    water, heat = plots.balance(*by_hand(), units="us")
    words = [t.get_text() for t in (*water.texts, *heat.texts)]
    assert "given to the air\n159 lb/h, 9.52 %" in words  # 72 / 0.45359
    assert any(w.startswith("warming the air\n105 kBTU/h") for w in words)  # 30.738 · 3.4121


def test_heat_of_a_fan_that_blows_through_has_its_own_name() -> None:
    """All that its shaft takes, the electric power less the motor's loss, warms the air; a heater adds the rest."""
    c = coolsim.load("scenarios/monsoon-night.toml")
    c = coolsim.replace(c, {"fan.position": "blow-through", "duct.leakage": "0 %"})
    result = coolsim.predict(c)
    assert result.fan is not None
    heat, fan = heat_balance(result, c), result.fan
    assert "heater" not in heat.enters
    # 1e-3: the rise follows from what enters the fan, the stream counts vapour from the air outside
    assert_allclose(heat.enters["fan"], 0.89 * fan.power, rtol=1e-3)
    c = coolsim.replace(c, {"cooler.inlet_air_temperature": "60 degC"})
    result = coolsim.predict(c)
    both = heat_balance(result, c).enters
    assert both["fan"] == pytest.approx(heat.enters["fan"], rel=0.05)  # a hotter bed resists a little more
    assert both["heater"] > 5 * both["fan"]
