"""Keys of the machines: cooler, dryers, the stages of a line, fan and duct."""

from __future__ import annotations

from collections.abc import Mapping

from coolsim.scenario import units as u
from coolsim.scenario.keys.base import DEPTH, FAHRENHEIT, METRES, Key, quantity

MOST_DEVIATION = "40 %"
UNEVEN = "a bed that deviates more is no bed: some of its floor is nearly bare, or stands still"
COOLER = {
    "arrangement": Key(
        "choice",
        "pellets down, air up (or a dryer: batch, belt)",
        '"counter-flow"',
        default="counter-flow",
        choices=("counter-flow", "batch", "belt"),
        hint="other arrangements are not available yet",
    ),
    "floor_area": quantity(
        u.AREA, "2.5 m2", "0.0005 m2", "300 m2", "of the bed, seen from above", required=True
    ),
    "bed_depth": quantity(u.LENGTH, "0.9 m", "1 mm", "8 m", "of the level bed", hint=METRES, **DEPTH),
    "residence_time": quantity(u.TIME, "15 min", "0.5 s", "24 h", "in place of bed_depth"),
    "airflow": quantity(
        u.VOLUME_FLOW, "6000 m3/h", "0.01 m3/h", "1e6 m3/h", "through the bed, as volume of outside air"
    ),
    "air_ratio": Key(
        "air ratio",
        "dry air per wet feed, in place of airflow (or outside air, as 1200 m3/t)",
        '"1.4 kg/kg"',
        u.AIR_RATIO,
        "0.001 kg/kg",
        "1000 kg/kg",
        second=u.AIR_VOLUME_RATIO,
    ),
    "inlet_air_temperature": quantity(
        u.TEMPERATURE,
        "35 degC",
        "-50 degC",
        "200 degC",
        "outside air is heated to this before the bed",
        hint=FAHRENHEIT,
    ),
    "depth_deviation": Key(
        "deviation",
        "standard deviation over the floor, of the mean or as a length; judged: measure it",
        '"10 %"',
        u.FRACTION,
        "0 %",
        MOST_DEVIATION,
        hint=UNEVEN,
        second=u.LENGTH,
    ),
    "speed_deviation": quantity(
        u.FRACTION,
        "10 %",
        "0 %",
        MOST_DEVIATION,
        "of the pellets' speed over the floor, of the mean; judged: measure it",
        hint=UNEVEN,
    ),
}

DRYER = {
    "batch_mass": quantity(
        u.MASS, "250 kg", "0.01 kg", "100 t", "wet pellets in a batch, in place of bed_depth"
    ),
    "duration": quantity(u.TIME, "45 min", "1 s", "24 h", "how long a batch is dried", required=True),
    "heater_power": quantity(u.POWER, "60 kW", "0 kW", "100 MW", "the most heat that the heater gives"),
    "recirculation": quantity(
        u.FRACTION, "60 %", "0 %", "95 %", "share of the exhaust blown in again", default="0 %"
    ),
    "air_direction": Key("choice", "of the air at first", '"up"', default="up", choices=("up", "down")),
    "reverse_every": quantity(u.TIME, "10 min", "10 s", "24 h", "time after which the air changes sides"),
    "mixing": Key(
        "choice",
        "none, or continuous: pellets turned over all the time",
        '"none"',
        default="none",
        choices=("none", "continuous"),
    ),
    "shrinkage": quantity(
        u.FRACTION, "80 %", "0 %", "100 %", "volume lost per volume of water lost", default="0 %"
    ),
    "cooling_time": quantity(
        u.TIME,
        "8 min",
        "0 s",
        "24 h",
        "how long it is cooled after duration: heater off, outside air once through",
        default="0 min",
    ),
    "belt_width": quantity(
        u.LENGTH, "2 m", "0.05 m", "12 m", "of the bed on the belt", hint=METRES, required=True
    ),
}

ZONE = {
    "length": quantity(u.LENGTH, "3 m", "0.01 m", "200 m", "of the zone along the belt", required=True),
    "airflow": quantity(
        u.VOLUME_FLOW,
        "8000 m3/h",
        "0.01 m3/h",
        "1e6 m3/h",
        "through its bed, as volume of outside air",
        required=True,
    ),
    "inlet_air_temperature": COOLER["inlet_air_temperature"],
    "recirculation": DRYER["recirculation"],
    "air_direction": DRYER["air_direction"],
}


# The keys of [cooler] that go with each arrangement.
ARRANGEMENTS: Mapping[str, tuple[str, ...]] = {
    "counter-flow": tuple(COOLER),
    "batch": (
        "arrangement", "floor_area", "bed_depth", "batch_mass", "duration", "airflow", "inlet_air_temperature",
        "heater_power", "recirculation", "air_direction", "reverse_every", "mixing", "shrinkage",
        "cooling_time", "depth_deviation",
    ),
    "belt": (
        "arrangement", "belt_width", "bed_depth", "zone", "shrinkage", "depth_deviation", "speed_deviation",
    ),
}  # fmt: skip


FAN = {
    "curve": Key(
        "curve",
        "[airflow, pressure] or [airflow, pressure, efficiency] at full speed",
        '[["0 m3/h", "2600 Pa"], ["6000 m3/h", "2200 Pa"], ["11000 m3/h", "900 Pa"]]',
        u.VOLUME_FLOW,
        second=u.PRESSURE,
    ),
    "rated_flow": quantity(u.VOLUME_FLOW, "6000 m3/h", "0.01 m3/h", "1e6 m3/h", "in place of curve"),
    "rated_pressure": quantity(u.PRESSURE, "2200 Pa", "1 Pa", "50 kPa", "with rated_flow"),
    "curve_density": quantity(
        u.DENSITY,
        "1.2 kg/m3",
        "0.3 kg/m3",
        "2 kg/m3",
        "air density the curve is for",
        default="1.2 kg/m3",
        us="lb/ft3",
    ),
    "efficiency": quantity(u.FRACTION, "62 %", "1 %", "95 %", "air power per shaft power"),
    "motor_efficiency": quantity(u.FRACTION, "90 %", "10 %", "100 %", "shaft power per electric power"),
    "position": Key(
        "choice",
        "draw-through, or blow-through (heats the air that enters)",
        '"draw-through"',
        default="draw-through",
        choices=("draw-through", "blow-through"),
    ),
    "speed": quantity(u.FRACTION, "80 %", "1 %", "150 %", "in place of cooler.airflow"),
}

DUCT = {
    "pressure_loss": Key(
        "loss",
        "of duct and cyclone: [pressure, at this airflow]",
        '["300 Pa", "6000 m3/h"]',
        u.PRESSURE,
        second=u.VOLUME_FLOW,
    ),
    "leakage": quantity(u.FRACTION, "5 %", "0 %", "90 %", "share of the fan's air that bypasses the bed"),
}

STAGE = {
    "name": Key("text", "how the answer calls it", '"dryer"', required=True),
    "stand_by": quantity(
        u.TIME, "30 min", "0 s", "24 h", "how long pellets stand, closed, before this stage"
    ),
}

WITHIN_STAGE = (
    "air",
    "fan",
    "duct",
    "schedule",
    "limits",
)  # tables that a stage may have of its own; and [[stage.zone]]
