"""A fan with the bed on its air path: speed for an airflow, airflow at a speed, and the heat it leaves."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import coolsim
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.case.tables import FanData
from coolsim.cli import app
from coolsim.scenario import loads

TEXT = """\
[feed]
material = "sinking-fish-feed"
diameter = "3 mm"
length = "5 mm"
throughput = "2 t/h"
temperature = "90 degC"
moisture = "13.6 %"
bulk_density = "610 kg/m3"
[air]
temperature = "25 degC"
relative_humidity = "60 %"
[cooler]
floor_area = "1.6 m2"
bed_depth = "0.5 m"
airflow = "2200 m3/h"
[fan]
curve = [["0 m3/h", "3000 Pa"], ["6000 m3/h", "0 Pa"]]
efficiency = "62 %"
motor_efficiency = "90 %"
position = "draw-through"
[duct]
pressure_loss = ["300 Pa", "2500 m3/h"]
leakage = "5 %"
"""
BLOWN = TEXT.replace("draw-through", "blow-through")
Y = 0.01189  # kg/kg at 25 °C and 60 %, sea level: from 0.6 · 3169.7 Pa (saturation, memory)
CURVE = TEXT[TEXT.index("curve =") : TEXT.index("efficiency =")]


def at_speed(text: str, speed: float) -> str:
    return text.replace('airflow = "2200 m3/h"\n', "").replace(
        "[fan]\n", f'[fan]\nspeed = "{100 * speed!r} %"\n'
    )


def exhaust(result: Any, pressure: float) -> tuple[float, float]:
    """Volume [m³/kg dry air] and density of the exhaust at a pressure, by the gas law of moist air."""
    T, humidity = float(result.air_out.temperature), float(result.air_out.humidity_ratio)
    volume = 287.042 * (T + 273.15) * (1 + humidity / 0.621945) / pressure
    return volume, (1 + humidity) / volume


def test_speed_and_power_at_a_given_airflow_by_hand() -> None:
    """The curve is straight, p₁ = 3000 (1 − q₁/q₀), so the affinity laws give n in closed form.

    p = n² ρ/ρ₁ · 3000 (1 − q/(n q₀))  ⇒  n² − n q/q₀ − p ρ₁/(3000 ρ) = 0. No false air here, so the fan draws the
    exhaust at the pressure that bed and duct have left.
    """
    case = loads(TEXT.replace('leakage = "5 %"\n', ""))
    r = coolsim.predict(case)
    dry = float(r.bed.air_ratio) * 2000 / 3600
    before_duct, density = exhaust(r, case.air.pressure - r.bed.pressure_drop)
    lost = 300 * (dry * before_duct / (2500 / 3600)) ** 2 * density / 1.2
    p = r.bed.pressure_drop + lost
    volume, density = exhaust(r, case.air.pressure - p)
    q, q_0 = dry * volume, 6000 / 3600
    n = q / q_0 / 2 + np.sqrt((q / q_0 / 2) ** 2 + p * 1.2 / (3000 * density))
    assert r.fan.pressure == pytest.approx(p, rel=1e-6)
    assert r.fan.flow == pytest.approx(q, rel=1e-6)
    assert r.fan.speed == pytest.approx(n, rel=1e-6)
    assert r.fan.power == pytest.approx(p * q / 0.62 / 0.9, rel=1e-6)
    assert r.fan.temperature_rise == 0.0


@pytest.mark.parametrize("text", [TEXT, BLOWN])
def test_the_speed_of_an_airflow_gives_that_airflow(text: str) -> None:
    """There and back: the speed typed in place of the airflow; to the tolerance of 1e-7 in the flow."""
    there = coolsim.predict(loads(text))
    back = coolsim.predict(loads(at_speed(text, float(there.fan.speed))))
    assert back.bed.face_velocity == pytest.approx(2200 / 3600 / 1.6, rel=1e-6)
    assert back.fan.speed == pytest.approx(there.fan.speed, rel=1e-6)
    assert back.pellets_out.moisture_wb == pytest.approx(there.pellets_out.moisture_wb, abs=1e-8)


def test_a_faster_fan_gives_more_air() -> None:
    slow, fast = (coolsim.predict(loads(at_speed(TEXT, n)), band=True) for n in (0.5, 1.0))
    assert fast.bed.face_velocity > 1.5 * slow.bed.face_velocity
    assert slow.input_band.moisture_wb[0] < slow.pellets_out.moisture_wb < slow.input_band.moisture_wb[1]


def test_weathers_and_lists_of_cases_settle_each_on_their_own() -> None:
    case = loads(at_speed(TEXT, 0.8))
    air = Air(np.array([5.0, 35.0]), np.array([0.5, 0.8]), np.array([1.0e5, 0.9e5]))
    many = coolsim.predict(case, air=air)
    cases = [
        dataclasses.replace(case, air=Air(5.0, 0.5, 1.0e5)),
        dataclasses.replace(case, air=Air(35.0, 0.8, 0.9e5)),
    ]
    listed = coolsim.predict(cases)
    for k, one in enumerate(cases):
        alone = coolsim.predict(one)
        assert many.bed.face_velocity[k] == pytest.approx(alone.bed.face_velocity, rel=1e-6)
        assert listed.bed.face_velocity[k] == pytest.approx(alone.bed.face_velocity, rel=1e-6)
        assert many.fan.speed[k] == pytest.approx(0.8, rel=1e-6)


# ---- Where fan and bed do not meet -----------------------------------------------------------------


def test_a_path_off_the_end_of_the_curve_is_told() -> None:
    """A huge fan whose curve stops at 2900 Pa: the path asks less than that at its last flow."""
    short = 'curve = [["0 m3/h", "3000 Pa"], ["1000 m3/h", "2900 Pa"]]\n'
    with pytest.raises(coolsim.InputError) as caught:
        coolsim.predict(loads(at_speed(TEXT, 0.8).replace(CURVE, short)))
    (fault,) = caught.value.faults
    assert fault.key == "fan.speed" and fault.found == "80 %" and "resists less" in fault.allowed


def test_a_stalling_fan_is_told() -> None:
    """A peak far right of what the bed lets through: they meet left of it, and the figures are only informed."""
    peak = 'curve = [["0 m3/h", "1000 Pa"], ["20000 m3/h", "3000 Pa"], ["30000 m3/h", "0 Pa"]]\n'
    r = coolsim.predict(loads(at_speed(TEXT, 0.8).replace(CURVE, peak)))
    assert any(w.level == "check" and "stalls" in w.text for w in r.warnings)


def test_more_than_full_speed_is_told_and_off_the_curve_is_unknown() -> None:
    weak = coolsim.predict(loads(TEXT.replace('"3000 Pa"', '"800 Pa"')))
    assert weak.fan.speed > 1 and any("full speed" in w.text for w in weak.warnings)
    short = 'curve = [["0 m3/h", "3000 Pa"], ["1000 m3/h", "2900 Pa"]]\n'
    off = coolsim.predict(loads(TEXT.replace(CURVE, short)))
    assert np.isnan(off.fan.speed) and any("resists less" in w.text for w in off.warnings)


def test_a_fan_without_curve_or_airflow_in_python() -> None:
    case = loads(TEXT)
    bare = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, airflow=None), fan=FanData())
    with pytest.raises(coolsim.InputError, match=r"cooler\.airflow"):
        coolsim.predict(bare)


# ---- Its heat ------------------------------------------------------------------------------------------


def test_a_kilopascal_warms_the_air_by_about_a_kelvin_and_a_third() -> None:
    """p/(η ρ c_p) by hand, at 25 °C, 60 %, sea level: 1000/(0.62 · 1.176 · 1016) = 1.35 K.

    ρ = 101325 (1 + Y)/(287.042 · 298.15 (1 + Y/0.621945)) = 1.176 kg/m³, c_p = (1006 + 1860 Y)/(1 + Y) = 1016.
    """
    r = coolsim.predict(loads(BLOWN))
    density = 101325 * (1 + Y) / (287.042 * 298.15 * (1 + Y / 0.621945))
    heat_capacity = (1006 + 1860 * Y) / (1 + Y)
    per_kilopascal = 1000 / (0.62 * density * heat_capacity)
    assert per_kilopascal == pytest.approx(1.35, abs=0.005)
    entering = r.profile.air_temperature[-1] - 25.0
    assert entering == pytest.approx(per_kilopascal * r.fan.pressure / 1000, rel=1e-3)
    assert r.fan.temperature_rise == pytest.approx(entering, abs=1e-4)
    # and all of the shaft's power is in the air: nine tenths of the electric power
    fan_air = r.bed.air_ratio * 2000 / 3600 / 0.95
    assert 0.9 * r.fan.power == pytest.approx(fan_air * (1006 + 1860 * Y) * entering, rel=1e-3)


def test_a_heater_warms_only_what_the_fan_leaves_cold() -> None:
    def entering(inlet: str) -> float:
        text = BLOWN.replace(
            'airflow = "2200 m3/h"', f'airflow = "2200 m3/h"\ninlet_air_temperature = "{inlet}"'
        )
        return float(coolsim.predict(loads(text)).profile.air_temperature[-1])

    assert entering("40 degC") == pytest.approx(40.0, abs=1e-9)
    by_fan = coolsim.predict(loads(BLOWN)).profile.air_temperature[-1]
    assert entering("25.2 degC") == pytest.approx(by_fan, abs=1e-4)  # as far as the rise is iterated


ASKED = """\
[target]
moisture = "12 %"
maximum_above_ambient = "9 K"
[limits]
LIMITS
[costs]
electricity = "0.14 /kWh"
heat = "0.05 /kWh"
feed = "0.70 /kg"
"""


def asked(text: str, limits: str) -> Case:
    return loads(text + ASKED.replace("LIMITS", limits))


def test_settings_of_a_blow_through_fan_are_what_predict_says() -> None:
    case = asked(BLOWN, 'fan_speed = ["30 %", "100 %"]\nbed_depth = ["0.25 m", "0.9 m"]')
    answer = coolsim.find_settings(case)
    again = coolsim.predict(answer.case)
    assert answer.met and answer.cost.heat == 0.0
    assert again.pellets_out.moisture_wb == pytest.approx(answer.result.pellets_out.moisture_wb, abs=1e-8)
    assert again.fan.speed == pytest.approx(answer.settings.fan_speed, rel=1e-6)
    assert answer.settings.inlet_air_temperature == pytest.approx(25 + again.fan.temperature_rise, abs=1e-3)
    depth = f'"{answer.settings.bed_depth} m"'
    by_speed = at_speed(BLOWN, float(answer.settings.fan_speed)).replace('"0.5 m"', depth)
    typed = coolsim.predict(loads(by_speed))
    assert typed.pellets_out.moisture_wb == pytest.approx(answer.result.pellets_out.moisture_wb, abs=1e-7)


def test_heat_is_paid_for_above_what_the_fan_adds() -> None:
    """m c_p (T − outside − rise), by hand."""
    limits = 'airflow = ["2200 m3/h", "2200 m3/h"]\ninlet_air_temperature = ["40 degC", "40 degC"]'
    answer = coolsim.find_settings(asked(BLOWN.replace('"13.6 %"', '"12.5 %"'), limits))
    again = coolsim.predict(answer.case)
    dry = again.bed.air_ratio * 2000 / 3600
    heat = dry * (1006 + 1860 * Y) * (40 - 25 - again.fan.temperature_rise)
    assert answer.cost.heat == pytest.approx(heat * 3600 * 0.05 / 3.6e6, rel=1e-3)


def test_a_typed_speed_is_held_while_the_depth_is_searched() -> None:
    case = asked(at_speed(TEXT, 0.8), 'bed_depth = ["0.25 m", "0.9 m"]')
    answer = coolsim.find_settings(case)
    assert answer.met and answer.settings.fan_speed == pytest.approx(0.8, abs=1e-6)


# ---- As printed and written ------------------------------------------------------------------------------


def test_the_command_prints_and_writes_it(tmp_path: Path) -> None:
    file = tmp_path / "by-speed.toml"
    file.write_text(at_speed(BLOWN, 0.8), encoding="utf-8")
    printed = CliRunner().invoke(app, ["predict", str(file)])
    assert printed.exit_code == 0, printed.output
    assert (
        "speed, of full" in printed.output
        and "80.0 %" in printed.output
        and "warms the air by" in printed.output
    )
    written = json.loads(CliRunner().invoke(app, ["predict", str(file), "--json", "-"]).stdout)
    assert written["fan"]["speed"] == pytest.approx(0.8, rel=1e-6)
    assert written["fan"]["status"] == "falling" and written["inputs"]["fan.speed"] == "80 %"
    assert written["fan"]["flow_m3_h"] > 0 and written["fan"]["power_kW"] > 0


def test_a_speed_that_gives_no_airflow_is_status_two(tmp_path: Path) -> None:
    file = tmp_path / "short.toml"
    short = 'curve = [["0 m3/h", "3000 Pa"], ["1000 m3/h", "2900 Pa"]]\n'
    file.write_text(at_speed(TEXT, 0.8).replace(CURVE, short), encoding="utf-8")
    got = CliRunner().invoke(app, ["predict", str(file)])
    assert got.exit_code == 2 and "fan.speed" in got.stderr and got.stdout == ""
