"""Every key a scenario may hold, once: reading, faults, `coolsim new` and the echo of inputs follow it.

Ranges are written as people write them and are what nature or the trade allows, widely drawn: outside
them a number is a slip (a °F typed as °C, millimetres as metres), inside them it is computed as given.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from coolsim.scenario import units as u
from coolsim.scenario.units import Dimension


@dataclass(frozen=True)
class Key:
    """One key of a scenario: how it is read, what is allowed, how it is shown."""

    kind: str  # a key of reader.READERS
    meaning: str  # the comment that `coolsim new` writes
    example: str  # as TOML
    dimension: Dimension | None = None
    low: str = ""
    high: str = ""
    hint: str = ""  # what may have happened when the number is out of range
    required: bool = False
    default: Any = None
    si: str = ""  # units for showing, where the dimension's usual ones do not suit
    us: str = ""
    choices: tuple[str, ...] = ()
    second: Dimension | None = None  # of a pair or curve whose second entry measures something else

    def unit(self, system: str) -> str:
        """Return the unit in which the key is shown ("" for what has none)."""
        if self.dimension is None:
            return ""
        return (self.us or self.dimension.us) if system == "us" else (self.si or self.dimension.si)


@dataclass(frozen=True)
class Table:
    """One table of a scenario."""

    meaning: str
    keys: Mapping[str, Key]
    required: bool = False
    listed: bool = False  # a [[list of tables]]
    varies: str = ""  # of such a list: the table whose keys each of them may change


@dataclass(frozen=True)
class Group:
    """Keys that say the same thing in different ways."""

    members: tuple[str, ...]
    required: bool = True
    arrangement: str = ""  # for which alone it counts


CUSTOM = "custom"  # feed.material that points to the scenario's own [material] table
AIR_HUMIDITIES = ("relative_humidity", "wet_bulb", "dew_point", "humidity_ratio")


def _quantity(dimension: Dimension, example: str, low: str, high: str, meaning: str, **more: Any) -> Key:
    return Key("quantity", meaning, f'"{example}"', dimension, low, high, **more)


def _pair(dimension: Dimension, example: str, low: str, high: str, meaning: str, **more: Any) -> Key:
    return Key("range", meaning, example, dimension, low, high, **more)


_FAHRENHEIT = "was it meant as degF?"
_METRES = "check the unit: mm, m or in?"
_MOISTURE = "moisture is a share of the wet weight, dry solid is never nothing"
_SMALL = {"si": "mm", "us": "in"}
_DEPTH = {"us": "in"}

_FEED = {
    "material": Key("text", "of `coolsim materials`, custom, or a file", '"pig-pellets"', required=True),
    "diameter": _quantity(
        u.LENGTH, "4 mm", "0.3 mm", "60 mm", "pellet diameter", hint=_METRES, required=True, **_SMALL
    ),
    "length": _quantity(
        u.LENGTH, "10 mm", "0.3 mm", "200 mm", "pellet length", hint=_METRES, required=True, **_SMALL
    ),
    "throughput": _quantity(
        u.MASS_FLOW, "5 t/h", "0.1 kg/h", "200 t/h", "wet pellets entering the cooler", required=True
    ),
    "temperature": _quantity(
        u.TEMPERATURE,
        "80 degC",
        "0 degC",
        "180 degC",
        "pellets as they reach the cooler",
        hint=_FAHRENHEIT,
        required=True,
    ),
    "moisture": _quantity(u.FRACTION, "15.5 %", "0.1 %", "65 %", "wet basis", hint=_MOISTURE),
    "moisture_dry_basis": _quantity(
        u.FRACTION, "18.3 %", "0.1 %", "185 %", "water per dry solid, in place of moisture"
    ),
    "bulk_density": _quantity(
        u.DENSITY, "640 kg/m3", "100 kg/m3", "1200 kg/m3", "of the wet feed; the material's if left out"
    ),
    "void_fraction": _quantity(
        u.FRACTION, "42 %", "15 %", "80 %", "air between the pellets; the material's if left out"
    ),
    "fines": _quantity(
        u.FRACTION,
        "3 %",
        "0 %",
        "20 %",
        "dust and broken pellets, by mass: they raise the pressure drop",
        hint="what they do was measured up to there: screen them out",
    ),
    "sampled_at": Key(
        "choice",
        "where typed moisture and temperature were taken: there, or at the die, with [way]",
        '"cooler"',
        choices=("cooler", "die"),
    ),
}

_AIR = {
    "temperature": _quantity(
        u.TEMPERATURE, "20 degC", "-50 degC", "60 degC", "dry bulb outside", hint=_FAHRENHEIT, required=True
    ),
    "relative_humidity": _quantity(u.FRACTION, "65 %", "0 %", "100 %", "outside"),
    "wet_bulb": _quantity(
        u.TEMPERATURE, "16 degC", "-50 degC", "60 degC", "in place of relative_humidity", hint=_FAHRENHEIT
    ),
    "dew_point": _quantity(
        u.TEMPERATURE, "13 degC", "-60 degC", "60 degC", "in place of relative_humidity", hint=_FAHRENHEIT
    ),
    "humidity_ratio": _quantity(
        u.HUMIDITY_RATIO, "9.5 g/kg", "0 g/kg", "200 g/kg", "in place of relative_humidity", si="g/kg"
    ),
    "altitude": _quantity(u.LENGTH, "120 m", "-450 m", "6000 m", "of the site above the sea", default="0 m"),
    "pressure": _quantity(
        u.PRESSURE, "100 kPa", "45 kPa", "110 kPa", "barometric, in place of altitude", si="Pa", us="inHg"
    ),
}

_MOST_DEVIATION = "40 %"
_UNEVEN = "a bed that deviates more is no bed: some of its floor is nearly bare, or stands still"
_COOLER = {
    "arrangement": Key(
        "choice",
        "pellets down, air up (or a dryer: batch, belt)",
        '"counter-flow"',
        default="counter-flow",
        choices=("counter-flow", "batch", "belt"),
        hint="other arrangements are not available yet",
    ),
    "floor_area": _quantity(
        u.AREA, "2.5 m2", "0.0005 m2", "300 m2", "of the bed, seen from above", required=True
    ),
    "bed_depth": _quantity(u.LENGTH, "0.9 m", "1 mm", "8 m", "of the level bed", hint=_METRES, **_DEPTH),
    "residence_time": _quantity(u.TIME, "15 min", "0.5 s", "24 h", "in place of bed_depth"),
    "airflow": _quantity(
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
    "inlet_air_temperature": _quantity(
        u.TEMPERATURE,
        "35 degC",
        "-50 degC",
        "200 degC",
        "outside air is heated to this before the bed",
        hint=_FAHRENHEIT,
    ),
    "depth_deviation": Key(
        "deviation",
        "standard deviation over the floor, of the mean or as a length; judged: measure it",
        '"10 %"',
        u.FRACTION,
        "0 %",
        _MOST_DEVIATION,
        hint=_UNEVEN,
        second=u.LENGTH,
    ),
    "speed_deviation": _quantity(
        u.FRACTION,
        "10 %",
        "0 %",
        _MOST_DEVIATION,
        "of the pellets' speed over the floor, of the mean; judged: measure it",
        hint=_UNEVEN,
    ),
}

_DRYER = {
    "batch_mass": _quantity(
        u.MASS, "250 kg", "0.01 kg", "100 t", "wet pellets in a batch, in place of bed_depth"
    ),
    "duration": _quantity(u.TIME, "45 min", "1 s", "24 h", "how long a batch is dried", required=True),
    "heater_power": _quantity(u.POWER, "60 kW", "0 kW", "100 MW", "the most heat that the heater gives"),
    "recirculation": _quantity(
        u.FRACTION, "60 %", "0 %", "95 %", "share of the exhaust blown in again", default="0 %"
    ),
    "air_direction": Key("choice", "of the air at first", '"up"', default="up", choices=("up", "down")),
    "reverse_every": _quantity(u.TIME, "10 min", "10 s", "24 h", "after which the air changes sides"),
    "mixing": Key(
        "choice", "turned over all the time?", '"none"', default="none", choices=("none", "continuous")
    ),
    "shrinkage": _quantity(
        u.FRACTION, "80 %", "0 %", "100 %", "volume lost per volume of water lost", default="0 %"
    ),
    "cooling_time": _quantity(
        u.TIME,
        "8 min",
        "0 s",
        "24 h",
        "after duration, in the dryer: heater off, outside air once through",
        default="0 min",
    ),
    "belt_width": _quantity(
        u.LENGTH, "2 m", "0.05 m", "12 m", "of the bed on the belt", hint=_METRES, required=True
    ),
}
_ZONE = {
    "length": _quantity(u.LENGTH, "3 m", "0.01 m", "200 m", "of the zone along the belt", required=True),
    "airflow": _quantity(
        u.VOLUME_FLOW,
        "8000 m3/h",
        "0.01 m3/h",
        "1e6 m3/h",
        "through its bed, as volume of outside air",
        required=True,
    ),
    "inlet_air_temperature": _COOLER["inlet_air_temperature"],
    "recirculation": _DRYER["recirculation"],
    "air_direction": _DRYER["air_direction"],
}
# The keys of [cooler] that go with each arrangement.
ARRANGEMENTS: Mapping[str, tuple[str, ...]] = {
    "counter-flow": tuple(_COOLER),
    "batch": (
        "arrangement", "floor_area", "bed_depth", "batch_mass", "duration", "airflow", "inlet_air_temperature",
        "heater_power", "recirculation", "air_direction", "reverse_every", "mixing", "shrinkage",
        "cooling_time", "depth_deviation",
    ),
    "belt": (
        "arrangement", "belt_width", "bed_depth", "zone", "shrinkage", "depth_deviation", "speed_deviation",
    ),
}  # fmt: skip

_MATERIAL = {
    "specific_heat": _quantity(
        u.SPECIFIC_HEAT, "1750 J/(kg K)", "500 J/(kg K)", "4000 J/(kg K)", "of the dry solid", required=True
    ),
    "conductivity": _quantity(
        u.CONDUCTIVITY, "0.2 W/(m K)", "0.01 W/(m K)", "5 W/(m K)", "of the pellet", required=True
    ),
    "bulk_density": _quantity(
        u.DENSITY, "640 kg/m3", "100 kg/m3", "1200 kg/m3", "of the wet feed", required=True
    ),
    "void_fraction": _quantity(u.FRACTION, "42 %", "15 %", "80 %", "air between the pellets", required=True),
}

_SORPTION = {
    "equation": Key("text", "the constants that follow are those of this equation", '"modified-oswin"'),
    "fat": _quantity(u.FRACTION, "4 %", "0 %", "50 %", "of the dry solid, which takes up no water"),
}
_SORPTION_POINT = {
    "temperature": _quantity(
        u.TEMPERATURE, "25 degC", "-20 degC", "100 degC", "measured at", hint=_FAHRENHEIT, required=True
    ),
    "water_activity": Key("number", "a bare number", "0.65", low="0.01", high="0.98", required=True),
    "moisture": _quantity(u.FRACTION, "12.5 %", "0.1 %", "65 %", "wet basis", hint=_MOISTURE),
    "moisture_dry_basis": _quantity(
        u.FRACTION, "14.3 %", "0.1 %", "185 %", "water per dry solid, in place of moisture"
    ),
}
_COMPOSITION = {
    name: _quantity(u.FRACTION, example, "0 %", "100 %", meaning)
    for name, example, meaning in (
        ("protein", "18 %", "share of the dry solid; all of them add up to 100 %"),
        ("fat", "4 %", "takes up no water"),
        ("carbohydrate", "65 %", "fibre apart"),
        ("fibre", "5 %", "share of the dry solid"),
        ("ash", "8 %", "share of the dry solid"),
    )
}

_DIFFUSIVITY = {
    "value": _quantity(
        u.DIFFUSIVITY, "6e-10 m2/s", "1e-14 m2/s", "1e-5 m2/s", "of water in the pellet", required=True
    ),
    "at": _quantity(
        u.TEMPERATURE, "60 degC", "0 degC", "180 degC", "where value holds", hint=_FAHRENHEIT, required=True
    ),
    "activation_energy": _quantity(
        u.MOLAR_ENERGY, "26 kJ/mol", "0 kJ/mol", "200 kJ/mol", "how it rises with temperature", required=True
    ),
    "moisture_slope": Key(
        "number", "slope of its logarithm with dry-basis moisture", "0", low="-100", high="100", default=0.0
    ),
    "at_moisture": _quantity(
        u.FRACTION, "14 %", "0 %", "65 %", "wet basis, where value holds; with moisture_slope"
    ),
}

_TARGET = {
    "moisture": _quantity(u.FRACTION, "12.5 %", "0.1 %", "65 %", "a ceiling, wet basis", hint=_MOISTURE),
    "tolerance": _quantity(u.FRACTION, "0.3 %", "0.001 %", "20 %", "makes moisture a band: value ± this"),
    "maximum_above_ambient": _quantity(
        u.DIFFERENCE, "6 K", "0 K", "100 K", "pellets may leave this much warmer than the air outside"
    ),
    "maximum_water_activity": Key("number", "a bare number", "0.65", low="0.01", high="1"),
    "water_activity_at": _quantity(
        u.TEMPERATURE,
        "25 degC",
        "-40 degC",
        "80 degC",
        "of the store; the warmer of 25 degC and the air outside if left out",
        hint=_FAHRENHEIT,
    ),
    "maximum_deviation": _quantity(
        u.FRACTION,
        "1.5 %",
        "0.01 %",
        "30 %",
        "of a dryer: standard deviation of moisture over the bed, points",
    ),
    "no_sweating": Key("flag", "with [bag]: pellets must not sweat in it", "true"),
}

_LIMITS = {
    "airflow": _pair(u.VOLUME_FLOW, '["2500 m3/h", "9000 m3/h"]', "0 m3/h", "1e6 m3/h", "lowest and highest"),
    "fan_speed": _pair(u.FRACTION, '["40 %", "100 %"]', "1 %", "150 %", "in place of airflow"),
    "bed_depth": _pair(
        u.LENGTH, '["0.3 m", "1.2 m"]', "1 mm", "8 m", "lowest and highest", hint=_METRES, **_DEPTH
    ),
    "residence_time": _pair(u.TIME, '["5 min", "25 min"]', "0.5 s", "24 h", "in place of bed_depth"),
    "inlet_air_temperature": _pair(
        u.TEMPERATURE,
        '["20 degC", "60 degC"]',
        "-50 degC",
        "200 degC",
        "only where the inlet air can be heated",
        hint=_FAHRENHEIT,
    ),
    "duration": _pair(u.TIME, '["15 min", "60 min"]', "1 s", "24 h", "of a batch, lowest and highest"),
    "recirculation": _pair(u.FRACTION, '["0 %", "80 %"]', "0 %", "95 %", "of a batch, lowest and highest"),
    "batch_mass": _pair(
        u.MASS, '["150 kg", "300 kg"]', "0.01 kg", "100 t", "of a batch, in place of bed_depth"
    ),
    "cooling_time": _pair(u.TIME, '["0 min", "15 min"]', "0 s", "24 h", "of a batch, lowest and highest"),
    "reverse_every": _pair(u.TIME, '["5 min", "20 min"]', "10 s", "24 h", "of a batch, lowest and highest"),
    "conditioning_water": _pair(
        u.FRACTION, '["15 %", "20 %"]', "0 %", "60 %", "water added to the mash: lowest and highest"
    ),
    "conditioning_temperature": _pair(
        u.TEMPERATURE,
        '["60 degC", "85 degC"]',
        "0 degC",
        "110 degC",
        "of the mash, by steam: lowest and highest",
        hint=_FAHRENHEIT,
    ),
    "mixing": Key(
        "choice", "of a batch: turned all the time or not, as is cheaper", '"either"', choices=("either",)
    ),
    "minimum_residence_time": _quantity(
        u.TIME,
        "8 min",
        "0 s",
        "24 h",
        "the least that settings and sizes choose; 8 min of coolers and belts if left out",
    ),
    "minimum_depth_in_deviations": Key(
        "number",
        "the least depth that they choose, of a depth_deviation that is a length; 5 if left out",
        "5",
        low="0",
        high="100",
    ),
    "maximum_pellet_temperature": _quantity(
        u.TEMPERATURE, "85 degC", "0 degC", "200 degC", "of the hottest pellets in a dryer", hint=_FAHRENHEIT
    ),
    "maximum_exhaust_relative_humidity": _quantity(
        u.FRACTION, "92 %", "1 %", "100 %", "above it the exhaust wets the duct"
    ),
    "maximum_lift_off": _quantity(
        u.FRACTION, "70 %", "1 %", "200 %", "highest velocity as a share of what lifts the bed"
    ),
    "maximum_bed_pressure_drop": _quantity(u.PRESSURE, "2500 Pa", "1 Pa", "50 kPa", "what the fan can pull"),
}

_COSTS = {
    "electricity": Key("price", "one currency or none", '"0.15 /kWh"', u.ENERGY_PRICE, "0 /kWh", "1e6 /kWh"),
    "heat": Key(
        "price", "of the heat that reaches the air", '"0.06 /kWh"', u.ENERGY_PRICE, "0 /kWh", "1e6 /kWh"
    ),
    "feed": Key("price", "value of the feed as sold", '"0.45 /kg"', u.MASS_PRICE, "0 /kg", "1e8 /kg"),
}

_FAN = {
    "curve": Key(
        "curve",
        "[airflow, pressure] or [airflow, pressure, efficiency] at full speed",
        '[["0 m3/h", "2600 Pa"], ["6000 m3/h", "2200 Pa"], ["11000 m3/h", "900 Pa"]]',
        u.VOLUME_FLOW,
        second=u.PRESSURE,
    ),
    "rated_flow": _quantity(u.VOLUME_FLOW, "6000 m3/h", "0.01 m3/h", "1e6 m3/h", "in place of curve"),
    "rated_pressure": _quantity(u.PRESSURE, "2200 Pa", "1 Pa", "50 kPa", "with rated_flow"),
    "curve_density": _quantity(
        u.DENSITY,
        "1.2 kg/m3",
        "0.3 kg/m3",
        "2 kg/m3",
        "air density the curve is for",
        default="1.2 kg/m3",
        us="lb/ft3",
    ),
    "efficiency": _quantity(u.FRACTION, "62 %", "1 %", "95 %", "air power per shaft power"),
    "motor_efficiency": _quantity(u.FRACTION, "90 %", "10 %", "100 %", "shaft power per electric power"),
    "position": Key(
        "choice",
        "draw-through, or blow-through (heats the air that enters)",
        '"draw-through"',
        default="draw-through",
        choices=("draw-through", "blow-through"),
    ),
    "speed": _quantity(u.FRACTION, "80 %", "1 %", "150 %", "in place of cooler.airflow"),
}

_DUCT = {
    "pressure_loss": Key(
        "loss",
        "[pressure, at this airflow], duct and cyclone",
        '["300 Pa", "6000 m3/h"]',
        u.PRESSURE,
        second=u.VOLUME_FLOW,
    ),
    "leakage": _quantity(u.FRACTION, "5 %", "0 %", "90 %", "share of the fan's air that bypasses the bed"),
}

_SIZING = {
    "margin": _quantity(
        u.FRACTION, "50 %", "0 %", "500 %", "fines and fouling add this to the bed's pressure", default="50 %"
    ),
    "bed_depth": _pair(
        u.LENGTH,
        '["0.2 m", "1.2 m"]',
        "1 mm",
        "8 m",
        "lowest and highest",
        hint=_METRES,
        default=("0.2 m", "1.2 m"),
        **_DEPTH,
    ),
    "air_ratio": _pair(
        u.AIR_RATIO,
        '["0.3 kg/kg", "3 kg/kg"]',
        "0.01 kg/kg",
        "100 kg/kg",
        "dry air per wet feed, lowest and highest",
        default=("0.3 kg/kg", "3 kg/kg"),
    ),
    "above_least": _quantity(
        u.FRACTION,
        "25 %",
        "1 %",
        "1000 %",
        "take the smallest floor that costs this much more to run than the best one",
        default="25 %",
    ),
    "floor_area": _quantity(
        u.AREA, "3 m2", "0.0005 m2", "300 m2", "take this floor, in place of above_least"
    ),
    "freeboard": _quantity(
        u.LENGTH, "0.5 m", "0 m", "5 m", "room above the bed", hint=_METRES, default="0.5 m", **_DEPTH
    ),
    "reserve": _quantity(
        u.FRACTION,
        "10 %",
        "0 %",
        "100 %",
        "floor, fan and heater are for this much more feed",
        default="10 %",
    ),
    "stage": Key("text", "of a line: the name of the stage that is sized", '"cooler"'),
}

_SCHEDULE = {
    "filling": _quantity(u.TIME, "3 min", "0 s", "24 h", "of a dryer", required=True),
    "emptying": _quantity(u.TIME, "2 min", "0 s", "24 h", "of a dryer", required=True),
    "dryers": Key("number", "alike, filled in turn", "2", low="1", high="1000", default=1.0),
}

_SHIFT = {
    "hours": _quantity(u.TIME, "8 h", "1 min", "24 h", "of a shift; 8 h are assumed if left out"),
    "per_day": Key("number", "shifts a day; 1 if left out", "1", low="0.1", high="6"),
    "days_per_year": Key("number", "on which it runs; 250 if left out", "250", low="1", high="366"),
    "breaks": Key(
        "breaks",
        "[after, how long] each: nobody is there, the line stands still",
        '[["4 h", "30 min"]]',
        u.TIME,
        second=u.TIME,
    ),
    "dryers_stop": Key(
        "flag", "in breaks, too; left out, the batch in a dryer goes on: somebody must watch it", "true"
    ),
}

_RECIPE = {
    "temperature": _quantity(
        u.TEMPERATURE, "25 degC", "-20 degC", "95 degC", "of the mash; that of the air outside if left out"
    ),
}
_INGREDIENT = {
    "name": Key("text", "how the answer calls it", '"maize meal"', required=True),
    "share": _quantity(
        u.FRACTION, "100 %", "0 %", "100 %", "of the mash; all add up to 100 %", required=True
    ),
    "moisture": _quantity(u.FRACTION, "12.5 %", "0 %", "90 %", "wet basis", hint=_MOISTURE, required=True),
    "price": Key("price", "in the currency of [costs]", '"0.30 /kg"', u.MASS_PRICE, "0 /kg", "1e8 /kg"),
}
_CONDITIONING = {
    "temperature": _quantity(
        u.TEMPERATURE, "82 degC", "0 degC", "110 degC", "by steam; left out: water alone", hint=_FAHRENHEIT
    ),
    "steam_pressure": _quantity(
        u.PRESSURE, "101.325 kPa", "40 kPa", "1600 kPa", "absolute", si="kPa", us="psi", default="101.325 kPa"
    ),
    "steam_quality": _quantity(u.FRACTION, "100 %", "50 %", "100 %", "share that is vapour", default="100 %"),
    "water": _quantity(u.FRACTION, "1 %", "0 %", "60 %", "water added, of the mash", default="0 %"),
    "water_temperature": _quantity(
        u.TEMPERATURE, "20 degC", "0 degC", "99 degC", "of that water", default="20 degC"
    ),
}
_DIE = {
    "specific_energy": _quantity(
        u.ENERGY_PER_MASS, "15 kWh/t", "0 kWh/t", "300 kWh/t", "of press or extruder", required=True
    ),
    "heat_to_feed": _quantity(
        u.FRACTION, "30 %", "0 %", "100 %", "of it that stays in the feed; judged", default="30 %"
    ),
}
_WAY = {
    "time": _quantity(u.TIME, "15 s", "0 s", "1 h", "from die to cooler", required=True),
    "air": _quantity(
        u.AIR_RATIO,
        "0.02 kg/kg",
        "0 kg/kg",
        "1000 kg/kg",
        "outside air that pellets meet there; judged",
        required=True,
    ),
}
_COATING = {
    "oil": _quantity(u.FRACTION, "5 %", "0 %", "60 %", "of the pellets before", default="0 %"),
    "water": _quantity(u.FRACTION, "1 %", "0 %", "30 %", "likewise, of a slurry", default="0 %"),
    "powder": _quantity(u.FRACTION, "0.5 %", "0 %", "50 %", "likewise", default="0 %"),
    "oil_temperature": _quantity(
        u.TEMPERATURE, "40 degC", "0 degC", "120 degC", "of the oil", default="40 degC"
    ),
    "water_temperature": _quantity(
        u.TEMPERATURE, "20 degC", "0 degC", "99 degC", "of that water", default="20 degC"
    ),
    "powder_temperature": _quantity(
        u.TEMPERATURE, "20 degC", "-20 degC", "80 degC", "of the powder", default="20 degC"
    ),
    "maximum_temperature": _quantity(
        u.TEMPERATURE, "45 degC", "0 degC", "150 degC", "that heat-sensitive additives bear", hint=_FAHRENHEIT
    ),
}
_BAG = {
    "mass": _quantity(u.MASS, "25 kg", "0.05 kg", "3 t", "in a bag", required=True),
    "coldest_store": _quantity(
        u.TEMPERATURE, "15 degC", "-40 degC", "60 degC", "of its first two days; the air outside if left out"
    ),
    "store_temperature": _quantity(
        u.TEMPERATURE,
        "25 degC",
        "-40 degC",
        "60 degC",
        "after that; where water activity is judged if left out",
    ),
}
_EQUIPMENT = {
    "name": Key("text", "how the answer calls it", '"mixer"', required=True),
    "machine": Key("text", "cooler, or a stage's name: the computed machine stands here", '"cooler"'),
    "capacity": _quantity(u.MASS_FLOW, "500 kg/h", "0.1 kg/h", "200 t/h", "what it takes, all the time"),
    "batch": _quantity(u.MASS, "40 kg", "0.01 kg", "100 t", "in place of capacity, with cycle"),
    "cycle": _quantity(u.TIME, "12 min", "1 s", "24 h", "from one batch to the next"),
    "catch": Key(
        "catch",
        "in place of capacity: [mass, in this time] of what runs out, wet",
        '["2.1 kg", "45 s"]',
        u.MASS,
        second=u.TIME,
    ),
    "power": _quantity(u.POWER, "7.5 kW", "0 kW", "10 MW", "electric, while it runs"),
    "loss": _quantity(u.FRACTION, "0.5 %", "0 %", "50 %", "of what enters, as dust"),
}

_NAME = {"name": Key("text", "how the answer calls it", '"wet season"', required=True)}
_DESIGN_WEATHER = _NAME | {
    "percentile": _quantity(
        u.FRACTION, "99 %", "0 %", "100 %", "of the hours of weather.file, in place of the keys of [air]"
    ),
}

_STAGE = {
    "name": Key("text", "how the answer calls it", '"dryer"', required=True),
    "stand_by": _quantity(
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

_WEATHER = {
    "file": Key("text", "epw or csv, relative to the scenario", '"weather.epw"', required=True),
    "operating_hours": Key("hours", "from, to", '["06:00", "22:00"]'),
}

_WEATHER_UNITS = {
    name: Key("unit", f"of the column {name} of a csv", f'"{_AIR[name].unit("si")}"', _AIR[name].dimension)
    for name in ("temperature", *AIR_HUMIDITIES, "pressure")
}

TABLES: Mapping[str, Table] = {
    "feed": Table("wet pellets as they reach the cooler", _FEED, required=True),
    "air": Table("the air outside", _AIR, required=True),
    "cooler": Table("the cooler or dryer and its settings", _COOLER | _DRYER, required=True),
    "cooler.zone": Table("a zone of a belt, in the order in which pellets meet them", _ZONE, listed=True),
    "schedule": Table("batch after batch: does a batch dryer keep up?", _SCHEDULE),
    "shift": Table("how long the line runs: for what settings save in a year", _SHIFT),
    "stage": Table("a machine of a line, with the keys of [cooler]", _STAGE, listed=True, varies="cooler"),
    "material": Table('only with feed.material = "custom"', _MATERIAL),
    "material.sorption": Table("how the pellets hold water", _SORPTION),
    "material.sorption.point": Table(
        "a measured point, four or more of them in place of equation and constants",
        _SORPTION_POINT,
        listed=True,
    ),
    "material.composition": Table("of the dry solid; its fat counts in the isotherm", _COMPOSITION),
    "material.diffusivity": Table("how fast water moves inside them", _DIFFUSIVITY),
    "target": Table("what is wanted", _TARGET),
    "limits": Table("what the machine allows; pairs are [lowest, highest]", _LIMITS),
    "costs": Table("what it costs, in one currency (any three letters, or none)", _COSTS),
    "fan": Table("the fan", _FAN),
    "duct": Table("between bed and fan", _DUCT),
    "sizing": Table("a cooler to buy: what `coolsim size` asks beside target, limits and duct", _SIZING),
    "sizing.product": Table(
        "a product the cooler must serve: keys of [feed] that differ", _NAME, listed=True, varies="feed"
    ),
    "sizing.weather": Table(
        "air it must serve it in: keys of [air] that differ", _DESIGN_WEATHER, listed=True, varies="air"
    ),
    "weather": Table("the air outside, hour by hour", _WEATHER),
    "card": Table("the card that `coolsim card` makes without a weather file", {}),
    "card.weather": Table(
        "a weather of the season, a row of the card: keys of [air] that differ",
        _NAME,
        listed=True,
        varies="air",
    ),
    "recipe": Table("the mash: gives feed.moisture and feed.temperature with what follows", _RECIPE),
    "recipe.ingredient": Table("what it is mixed from", _INGREDIENT, listed=True),
    "conditioning": Table("steam and water into the mash", _CONDITIONING),
    "die": Table("press or extruder", _DIE),
    "way": Table("from the die to the cooler", _WAY),
    "coating": Table("put on the pellets that leave: [target] is of them coated", _COATING),
    "bag": Table("may they be bagged and stored?", _BAG),
    "equipment": Table("a machine of the line, in order: what `coolsim plan` asks", _EQUIPMENT, listed=True),
    "weather.units": Table("units of a csv's columns", _WEATHER_UNITS),
}

# What to say of keys that were there once.
MOVED: Mapping[str, str] = {
    "schedule.cooling": "cooling_time in [cooler], which is predicted and counts here"
}

TITLE = Key("text", "what this scenario is about", '"My cooler"')

GROUPS = (
    Group(("feed.moisture", "feed.moisture_dry_basis")),
    Group(tuple(f"air.{name}" for name in AIR_HUMIDITIES)),
    Group(("air.altitude", "air.pressure"), required=False),
    Group(("cooler.bed_depth", "cooler.residence_time"), arrangement="counter-flow"),
    Group(("cooler.airflow", "cooler.air_ratio", "fan.speed"), arrangement="counter-flow"),
    Group(("cooler.bed_depth", "cooler.batch_mass"), arrangement="batch"),
    Group(("cooler.airflow",), arrangement="batch"),
    Group(("cooler.bed_depth",), arrangement="belt"),
    Group(("limits.airflow", "limits.fan_speed"), required=False),
    Group(("limits.bed_depth", "limits.residence_time", "limits.batch_mass"), required=False),
    Group(("fan.curve", "fan.rated_flow"), required=False),
    Group(("sizing.above_least", "sizing.floor_area"), required=False),
)


# What follows from other tables, where these are given: (key, table it needs).
FOLLOWS: Mapping[str, str] = {
    "feed.moisture": "recipe.ingredient",
    "feed.moisture_dry_basis": "recipe.ingredient",
    "feed.temperature": "recipe.ingredient",
    "feed.throughput": "equipment",
}


def constants(equation: str) -> tuple[str, ...]:
    """Return the names of a sorption equation's constants ((), if there is no such equation)."""
    from coolsim.physics.sorption import EQUATIONS

    return tuple(EQUATIONS[equation].constants) if equation in EQUATIONS else ()


def walk() -> Iterator[tuple[str, str, Key]]:
    """Yield (table, name, key) of every key of every table, in order."""
    for table, content in TABLES.items():
        for name, key in content.keys.items():
            yield table, name, key


def find(dotted: str) -> Key | None:
    """Return the key called "table.name", or None; sorption constants are bare numbers."""
    dotted = base_of(dotted)[1]
    table, _, name = dotted.rpartition(".")
    if dotted == "title":
        return TITLE
    if table == "material.sorption" and name not in (*_SORPTION, "point"):
        return constant(name)
    listed, _, number = table.rpartition(".")
    if number.isdecimal() and listed in TABLES and TABLES[listed].listed:  # "sizing.product.2.moisture"
        return keys_of_entries(listed).get(name)
    return TABLES[table].keys.get(name) if table in TABLES else None


_IN_STAGE = re.compile(r"(stage\.[0-9]+)\.(.+)")


def base_of(dotted: str) -> tuple[str, str]:
    """Return the stage that a key is in ("" for none), and the key as a scenario of that machine alone has it.

    >>> base_of("stage.2.fan.speed"), base_of("stage.2.airflow"), base_of("feed.moisture")
    (('stage.2', 'fan.speed'), ('stage.2', 'cooler.airflow'), ('', 'feed.moisture'))
    """
    found = _IN_STAGE.fullmatch(dotted)
    if found is None:
        return "", dotted
    place, rest = found.groups()
    if rest in _STAGE:
        return place, f"stage.{rest}"
    return place, rest if rest.partition(".")[0] in WITHIN_STAGE else f"cooler.{rest}"


def in_stage(place: str, base: str) -> str:
    """Return the key of a machine alone as the stage `place` of a line has it: the other way round."""
    return f"{place}.{base.removeprefix('cooler.')}" if place else base


def keys_of_entries(listed: str) -> Mapping[str, Key]:
    """Return the keys that the tables of a [[list of tables]] may hold, those of the table that they vary too."""
    varied = TABLES[listed].varies
    return {**(TABLES[varied].keys if varied else {}), **TABLES[listed].keys}


def constant(name: str) -> Key:
    """Return the key of a sorption constant; which ones there are depends on the equation."""
    return Key("number", f"constant {name}", "0", low="-1e9", high="1e9")
