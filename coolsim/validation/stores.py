"""Stores of grain that outside air cools: deep beds, hours instead of minutes, no pellets, the same equations."""

from __future__ import annotations

import dataclasses
import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.result import History
from coolsim.scenario import loads
from coolsim.scenario import units as u
from coolsim.simulate import dryer_simulation
from coolsim.validation.comparison import Comparison, Computed, Measure, compared

CFM_PER_BUSHEL = 4.7194745e-4 / 0.03523907  # m³/s of air per m³ of grain
_SCENARIO = """
[feed]
material = "custom"
diameter = "{diameter} mm"
length = "{length} mm"
throughput = "1 t/h"
temperature = "{hot} degC"
moisture = "{moisture} %"
[air]
temperature = "{cold} degC"
relative_humidity = "{humidity} %"
[cooler]
arrangement = "batch"
floor_area = "1 m2"
bed_depth = "{depth} m"
duration = "24 h"
airflow = "{airflow} m3/h"
inlet_air_temperature = "{cold} degC"
[material]
specific_heat = "1600 J/(kg K)"
conductivity = "0.2 W/(m K)"
bulk_density = "{bulk} kg/m3"
void_fraction = "{void} %"
[material.sorption]
equation = "modified-chung-pfost"
A = {A}
B = {B}
C = {C}
[material.diffusivity]
value = "{diffusivity} m2/s"
at = "60 degC"
activation_energy = "26 kJ/mol"
"""
# ASABE D245 (seen); sizes, densities and diffusivities are assumed
_CORN = {"A": 312.3, "B": 0.16958, "C": 30.205, "diameter": 8, "length": 8, "bulk": 720, "void": 40}
_BARLEY = {"A": 475.12, "B": 0.14843, "C": 71.996, "diameter": 3.5, "length": 8, "bulk": 640, "void": 44}


# A front is read off the course, not the end: usual steps are hours long there, and put it half an hour off.
_FINE = dataclasses.replace(dryer_simulation.DEFAULT, step_tolerance=1e-3)


@dataclass(frozen=True)
class Cooling:
    """The course of a store: share of the way from grain to air done, and water lost, at times [s]."""

    time: Any
    share: Any
    moisture: Any

    def when(self, share: float) -> float:
        """Return the time [s] at which a share of the cooling is done; the last one where it never is."""
        return float(np.interp(share, np.maximum.accumulate(self.share), self.time))

    def lost(self, time: float) -> float:
        """Return the points of moisture [kg/kg wet] lost until a time [s]."""
        return float(self.moisture[0] - np.interp(time, self.time, self.moisture))


def cooling(hot: float, cold: float, moisture: float, **numbers: Any) -> Cooling:
    """Return the course of grain [°C, % wet basis] in air [°C]; other numbers are those of the scenario."""
    text = _SCENARIO.format(hot=hot, cold=cold, moisture=moisture, **numbers)
    history = dryer_simulation.dry([loads(text, "store")], None, resolution=_FINE).history
    assert isinstance(history, History)
    return Cooling(history.time, (hot - history.temperature) / (hot - cold), history.moisture_wb)


def stores() -> list[Comparison]:
    """Return the comparisons with stored grain."""
    depth = 2.0
    air = {"airflow": 3600 * CFM_PER_BUSHEL * depth, "depth": depth}
    corn = [
        cooling(27, 5, 15, humidity=RH, diffusivity=D, **air, **_CORN)
        for RH, D in itertools.product((50, 65, 80), ("5e-11", "2e-10"))
    ]
    hours = [c.when(0.9) for c in corn]
    per_ten = [c.lost(54_000.0) / (22 * np.interp(54_000.0, c.time, c.share)) * 50 / 9 for c in corn]
    barley = [
        cooling(hot, 13, 14, humidity=RH, diffusivity=D, airflow=400, depth=depth, **_BARLEY)
        for (hot, RH), D in itertools.product(((49, 65), (46, 78)), ("5e-11", "2e-10"))
    ]
    lost = [b.lost(b.when(0.9)) for b in barley]
    told = "corn of 15 %, 27 to 5 °C, 2 m deep, 50–80 % humidity, diffusivity 0.5–2e-10 m²/s at 60 °C"
    return [
        compared(
            "cooling front of stored corn",
            source="MWPS-13 as extension pages quote it, and World Grain, aeration strategies (both seen)",
            said="15 h at 1 cfm per bushel (that is 300 h at a twentieth); others say 10–20 h",
            measured=(10 * 3600.0, 20 * 3600.0),
            assumed=f"the front is through once nine tenths of the cooling are done; {told}",
            computed=Computed.over(hours),
            measure=Measure(u.TIME, 1, si="h", us="h"),
        ),
        compared(
            "water lost while corn cools, per 10 °F",
            source="extension practice (a page that quotes it, seen)",
            said="about a quarter of a point per 10 °F (5.6 K)",
            measured=(0.0025, 0.0025),
            assumed=f"after 15 h at 1 cfm per bushel; {told}",
            computed=Computed.over(per_ten),
            measure=Measure(u.FRACTION, 2),
        ),
        compared(
            "barley stores, water lost while they cool",
            source="Woods & McCallum 2000, J. Inst. Brew. 106:411, two seasons (abstract seen)",
            said="1.5 % on average, from 49 and 46 °C (the fans warmed the air, by how much is not said)",
            measured=(0.015, 0.015),
            assumed="14 % before, air of 13 °C with 65–78 %, not warmed; 2 m deep; until nine tenths of the "
            "cooling are done; diffusivity 0.5–2e-10 m²/s at 60 °C",
            computed=Computed.over(lost),
            measure=Measure(u.FRACTION, 2),
        ),
    ]
