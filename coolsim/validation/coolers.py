"""Whole coolers and what comes before them, as far as anything of them is published."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.physics import air, pellet, sorption
from coolsim.physics.materials import load_material
from coolsim.physics.roots import bracketed_root
from coolsim.physics.sorption import Isotherm
from coolsim.scenario import loads
from coolsim.scenario import units as u
from coolsim.simulate.prediction import predict
from coolsim.validation.comparison import Comparison, Computed, Measure, compared

PRESSED = ("calf-pellets", "pig-pellets", "poultry-pellets")
_POINTS = Measure(u.FRACTION, 2)
_COOLER = """
[feed]
material = "{material}"
diameter = "{diameter} mm"
length = "{length} mm"
throughput = "{throughput}"
temperature = "{hot} degC"
moisture = "{moisture} %"
{feed}
[air]
temperature = "{outside} degC"
relative_humidity = "{humidity} %"
[cooler]
floor_area = "{floor}"
{bed}
airflow = "{airflow}"
"""
_USUAL = {
    "material": "pig-pellets", "diameter": 4, "length": 10, "throughput": "1 t/h", "hot": 82, "moisture": 15.5,
    "feed": "", "outside": 20, "humidity": 60, "floor": "0.5 m2", "bed": 'residence_time = "10 min"',
    "airflow": "800 m3/h",
}  # fmt: skip


def case_of(**numbers: object) -> Case:
    """Return a usual cooler of pig pellets with some numbers changed."""
    return loads(_COOLER.format(**(_USUAL | numbers)), "cooler")


def many(cases: Iterable[Case]) -> Result:
    """Return the prediction of many coolers."""
    return predict(list(cases))


def coolers() -> list[Comparison]:
    """Return the comparisons of coolers and conditioners."""
    return [_lift_off(), _within_ten_minutes(), _points_per_kelvin(), *_airflow(), _conditioning()]


def _lift_off() -> Comparison:
    voids = (45, 47, 50)
    runs = many(
        case_of(
            throughput="25 short_ton/h", hot=85, floor="40.2 ft2", bed='bed_depth = "0.75 m"', airflow="10000 cfm",
            feed=f'void_fraction = "{void} %"',
        )
        for void in voids
    )  # fmt: skip
    share = [float(x) for x in runs.bed.lift_off]
    return compared(
        "a published design: its air as a share of what lifts the bed",
        source="World Grain, May 2014, university author: 25 short tons/h, 10 000 cfm, 40.2 ft² (seen)",
        said="it runs, so less than the whole",
        measured=(-math.inf, 1.0),
        assumed="4 × 10 mm of 640 kg/m³, 0.75 m deep, 85 °C, 15.5 %, air 20 °C and 60 %; band: published void "
        "fractions, 0.45–0.50",
        computed=Computed.over(share, share[1]),
        measure=Measure(u.FRACTION, 0),
    )


def _within_ten_minutes() -> Comparison:
    runs = many(
        case_of(material=m, hot=hot, diameter=d, length=2.5 * d)
        for m in PRESSED
        for hot in (80, 90)
        for d in (3, 5)
    )
    above = [float(T) - 20.0 for T in runs.pellets_out.temperature]
    return compared(
        "pellets of 80–90 °C after ten minutes: above the air outside",
        source="FAO ADCP/REP/80/11, ch. 18 (seen); cool is 5–8 K above (common practice, no source)",
        said="15–16 % at 80–90 °C, cooled within ten minutes",
        measured=(-math.inf, 8.0),
        assumed="800 m³/h of air per t/h, 20 °C and 60 %; pressed feeds of 3 and 5 mm",
        computed=Computed.over(above, float(np.mean(above))),
        measure=Measure(u.DIFFERENCE, 1),
    )


def _points_per_kelvin() -> Comparison:
    runs = many(
        case_of(material=m, airflow=airflow, bed=f'residence_time = "{dwell} min"')
        for m in PRESSED
        for airflow in ("600 m3/h", "1000 m3/h")
        for dwell in (4, 15)
    )
    out = runs.pellets_out
    per = [float(x) for x in (0.155 - out.moisture_wb) / (82.0 - out.temperature) * 11.0]
    return compared(
        "points of moisture that pellets lose per 11 K",
        source="whole corn after tempering: Iowa State Extension (seen); makers of presses say 1 point (seen)",
        said="0.4–0.5 point of corn; a whole point would ask for no heat in the air at all",
        measured=(0.004, 0.005),
        assumed="pressed feeds for corn, from 82 °C and 15.5 %, 600–1000 m³/h per t/h, 4–15 minutes",
        computed=Computed.over(per, float(np.mean(per))),
        measure=_POINTS,
    )


def _airflow() -> list[Comparison]:
    runs = many(case_of(material=m, airflow=q) for m in PRESSED for q in ("600 m3/h", "1000 m3/h"))
    moisture = [float(x) for x in np.diff(runs.pellets_out.moisture_wb.reshape(-1, 2)).ravel()]
    warmth = [float(x) for x in np.diff(runs.pellets_out.temperature.reshape(-1, 2)).ravel()]
    source = "trade press (seen): less air dries more and cools worse"
    assumed = "600 to 1000 m³/h per t/h in the usual cooler, pressed feeds; only the sign is published"
    return [
        compared(
            "more air: change of the exit's moisture",
            source=source,
            said="it rises",
            measured=(0.0, math.inf),
            assumed=assumed,
            computed=Computed.over(moisture, float(np.mean(moisture))),
            measure=_POINTS,
        ),
        compared(
            "more air: change of the exit's temperature",
            source=source,
            said="it falls",
            measured=(-math.inf, 0.0),
            assumed=assumed,
            computed=Computed.over(warmth, float(np.mean(warmth))),
            measure=Measure(u.DIFFERENCE, 1),
        ),
    ]


def steamed(
    isotherm: Isotherm | None,
    moisture: float,
    before: float,
    after: float,
    specific_heat: float,
    quality: float = 1.0,
) -> float:
    """Return the moisture [kg/kg wet] that steam of 100 °C leaves in mash it warms between temperatures [°C].

    Enthalpy of mash and steam before is that of mash after, per kg of dry solid, with the heat of bound water
    (isotherm None: not bound): H(X₀, T₀) + (X₁ − X₀) h_s = H(X₁, T₁). `quality`: share of the steam that is vapour.
    """
    steam = quality * air.vapour_enthalpy(100.0) + (1 - quality) * air.HEAT_CAPACITY_WATER * 100.0
    X_0 = moisture / (1 - moisture)

    def enthalpy(X: Any, T: float) -> Any:
        bound = 0.0 if isotherm is None else sorption.bound_water_heat(isotherm, X)
        return pellet.enthalpy(specific_heat, X, T, bound)

    def surplus(X: Any) -> Any:
        return enthalpy(X, after) - enthalpy(X_0, before) - (X - X_0) * steam

    X_1 = float(bracketed_root(surplus, X_0, X_0 + 0.3))
    return X_1 / (1 + X_1)


def _conditioning() -> Comparison:
    before, after = (97.2 - 32) / 1.8, (190.0 - 32) / 1.8
    feed = load_material("pig-pellets")
    heats = (1500.0, feed.specific_heat, 1800.0)
    rise = {
        (c, q): steamed(feed.isotherm, 0.12, before, after, c, q) - 0.12 for c in heats for q in (0.9, 1.0)
    }
    return compared(
        "steam conditioning, 97 to 190 °F: rise of the moisture",
        source="Kansas Agric. Exp. Stn. Res. Rep. 6(10), 2020 (abstract seen)",
        said="4.2 points",
        measured=(0.042, 0.042),
        assumed="12 % before (not said there), saturated steam, no heat lost; band: dry specific heat 1.5–1.8 "
        "kJ/(kg K), a tenth of the steam as water or none",
        computed=Computed.over(list(rise.values()), rise[feed.specific_heat, 1.0]),
        measure=_POINTS,
    )
