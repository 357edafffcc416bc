"""Keys of what is wanted, allowed and paid, of what is to be bought, and of the hours of work."""

from __future__ import annotations

from coolsim.case.quantities import LIMITED
from coolsim.scenario import units as u
from coolsim.scenario.keys.base import DEPTH, FAHRENHEIT, METRES, MOISTURE, Key, maximum, pair, quantity


def maxima(table: str) -> dict[str, Key]:
    """The keys of a table that bound quantities from above, as the rows of those say."""
    return {q.key: maximum(q, of) for q, of in LIMITED if of.table == table}


TARGET = {
    "moisture": quantity(u.FRACTION, "12.5 %", "0.1 %", "65 %", "a ceiling, wet basis", hint=MOISTURE),
    "tolerance": quantity(u.FRACTION, "0.3 %", "0.001 %", "20 %", "makes moisture a band: value ± this"),
    **maxima("target"),
    "water_activity_at": quantity(
        u.TEMPERATURE,
        "25 degC",
        "-40 degC",
        "80 degC",
        "of the store; the warmer of 25 degC and the air outside if left out",
        hint=FAHRENHEIT,
    ),
    "no_sweating": Key("flag", "with [bag]: pellets must not sweat in it", "true"),
}

LIMITS = {
    "airflow": pair(u.VOLUME_FLOW, '["2500 m3/h", "9000 m3/h"]', "0 m3/h", "1e6 m3/h", "lowest and highest"),
    "fan_speed": pair(u.FRACTION, '["40 %", "100 %"]', "1 %", "150 %", "in place of airflow"),
    "bed_depth": pair(
        u.LENGTH, '["0.3 m", "1.2 m"]', "1 mm", "8 m", "lowest and highest", hint=METRES, **DEPTH
    ),
    "residence_time": pair(u.TIME, '["5 min", "25 min"]', "0.5 s", "24 h", "in place of bed_depth"),
    "inlet_air_temperature": pair(
        u.TEMPERATURE,
        '["20 degC", "60 degC"]',
        "-50 degC",
        "200 degC",
        "only where the inlet air can be heated",
        hint=FAHRENHEIT,
    ),
    "duration": pair(u.TIME, '["15 min", "60 min"]', "1 s", "24 h", "of a batch, lowest and highest"),
    "recirculation": pair(u.FRACTION, '["0 %", "80 %"]', "0 %", "95 %", "of a batch, lowest and highest"),
    "batch_mass": pair(
        u.MASS, '["150 kg", "300 kg"]', "0.01 kg", "100 t", "of a batch, in place of bed_depth"
    ),
    "cooling_time": pair(u.TIME, '["0 min", "15 min"]', "0 s", "24 h", "of a batch, lowest and highest"),
    "reverse_every": pair(u.TIME, '["5 min", "20 min"]', "10 s", "24 h", "of a batch, lowest and highest"),
    "conditioning_water": pair(
        u.FRACTION, '["15 %", "20 %"]', "0 %", "60 %", "water added to the mash: lowest and highest"
    ),
    "conditioning_temperature": pair(
        u.TEMPERATURE,
        '["60 degC", "85 degC"]',
        "0 degC",
        "110 degC",
        "of the mash, by steam: lowest and highest",
        hint=FAHRENHEIT,
    ),
    "mixing": Key(
        "choice", "of a batch: turned all the time or not, as is cheaper", '"either"', choices=("either",)
    ),
    "minimum_residence_time": quantity(
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
    **maxima("limits"),
}

COSTS = {
    "electricity": Key(
        "price",
        "price of electricity, in one currency or none",
        '"0.15 /kWh"',
        u.ENERGY_PRICE,
        "0 /kWh",
        "1e6 /kWh",
    ),
    "heat": Key(
        "price", "price of the heat that reaches the air", '"0.06 /kWh"', u.ENERGY_PRICE, "0 /kWh", "1e6 /kWh"
    ),
    "feed": Key("price", "value of the feed as sold", '"0.45 /kg"', u.MASS_PRICE, "0 /kg", "1e8 /kg"),
}

SIZING = {
    "margin": quantity(
        u.FRACTION, "50 %", "0 %", "500 %", "fines and fouling add this to the bed's pressure", default="50 %"
    ),
    "bed_depth": pair(
        u.LENGTH,
        '["0.2 m", "1.2 m"]',
        "1 mm",
        "8 m",
        "lowest and highest",
        hint=METRES,
        default=("0.2 m", "1.2 m"),
        **DEPTH,
    ),
    "air_ratio": pair(
        u.AIR_RATIO,
        '["0.3 kg/kg", "3 kg/kg"]',
        "0.01 kg/kg",
        "100 kg/kg",
        "dry air per wet feed, lowest and highest",
        default=("0.3 kg/kg", "3 kg/kg"),
    ),
    "above_least": quantity(
        u.FRACTION,
        "25 %",
        "1 %",
        "1000 %",
        "take the smallest floor that costs this much more to run than the best one",
        default="25 %",
    ),
    "floor_area": quantity(u.AREA, "3 m2", "0.0005 m2", "300 m2", "take this floor, in place of above_least"),
    "freeboard": quantity(
        u.LENGTH, "0.5 m", "0 m", "5 m", "room above the bed", hint=METRES, default="0.5 m", **DEPTH
    ),
    "reserve": quantity(
        u.FRACTION,
        "10 %",
        "0 %",
        "100 %",
        "floor, fan and heater are for this much more feed",
        default="10 %",
    ),
    "stage": Key("text", "of a line: the name of the stage that is sized", '"cooler"'),
}

SCHEDULE = {
    "filling": quantity(u.TIME, "3 min", "0 s", "24 h", "of a dryer", required=True),
    "emptying": quantity(u.TIME, "2 min", "0 s", "24 h", "of a dryer", required=True),
    "dryers": Key("number", "alike, filled in turn", "2", low="1", high="1000", default=1.0),
}

SHIFT = {
    "hours": quantity(u.TIME, "8 h", "1 min", "24 h", "of a shift; 8 h are assumed if left out"),
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

NAME = {"name": Key("text", "how the answer calls it", '"wet season"', required=True)}
DESIGN_WEATHER = NAME | {
    "percentile": quantity(
        u.FRACTION, "99 %", "0 %", "100 %", "of the hours of weather.file, in place of the keys of [air]"
    ),
}
