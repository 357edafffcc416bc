"""Keys of what is before and after the machine: recipe, steam, die, way, coat, bag, the steps of the line."""

from __future__ import annotations

from coolsim.scenario import units as u
from coolsim.scenario.keys.base import FAHRENHEIT, MOISTURE, Key, quantity

RECIPE = {
    "temperature": quantity(
        u.TEMPERATURE, "25 degC", "-20 degC", "95 degC", "of the mash; that of the air outside if left out"
    ),
}

INGREDIENT = {
    "name": Key("text", "how the answer calls it", '"maize meal"', required=True),
    "share": quantity(u.FRACTION, "100 %", "0 %", "100 %", "of the mash; all add up to 100 %", required=True),
    "moisture": quantity(u.FRACTION, "12.5 %", "0 %", "90 %", "wet basis", hint=MOISTURE, required=True),
    "price": Key("price", "in the currency of [costs]", '"0.30 /kg"', u.MASS_PRICE, "0 /kg", "1e8 /kg"),
}

CONDITIONING = {
    "temperature": quantity(
        u.TEMPERATURE, "82 degC", "0 degC", "110 degC", "by steam; left out: water alone", hint=FAHRENHEIT
    ),
    "steam_pressure": quantity(
        u.PRESSURE, "101.325 kPa", "40 kPa", "1600 kPa", "absolute", si="kPa", us="psi", default="101.325 kPa"
    ),
    "steam_quality": quantity(u.FRACTION, "100 %", "50 %", "100 %", "share that is vapour", default="100 %"),
    "water": quantity(u.FRACTION, "1 %", "0 %", "60 %", "water added, as a share of the mash", default="0 %"),
    "water_temperature": quantity(
        u.TEMPERATURE, "20 degC", "0 degC", "99 degC", "of that water", default="20 degC"
    ),
}

DIE = {
    "specific_energy": quantity(
        u.ENERGY_PER_MASS, "15 kWh/t", "0 kWh/t", "300 kWh/t", "that press or extruder takes", required=True
    ),
    "heat_to_feed": quantity(
        u.FRACTION,
        "30 %",
        "0 %",
        "100 %",
        "share of it that stays in the feed; judged, no source",
        default="30 %",
    ),
}

WAY = {
    "time": quantity(u.TIME, "15 s", "0 s", "1 h", "from die to cooler", required=True),
    "air": quantity(
        u.AIR_RATIO,
        "0.02 kg/kg",
        "0 kg/kg",
        "1000 kg/kg",
        "outside air that pellets meet there; judged, no source",
        required=True,
    ),
}

COATING = {
    "oil": quantity(u.FRACTION, "5 %", "0 %", "60 %", "of the pellets before", default="0 %"),
    "water": quantity(u.FRACTION, "1 %", "0 %", "30 %", "of a slurry, of the pellets before", default="0 %"),
    "powder": quantity(u.FRACTION, "0.5 %", "0 %", "50 %", "of the pellets before", default="0 %"),
    "oil_temperature": quantity(
        u.TEMPERATURE, "40 degC", "0 degC", "120 degC", "of the oil", default="40 degC"
    ),
    "water_temperature": quantity(
        u.TEMPERATURE, "20 degC", "0 degC", "99 degC", "of that water", default="20 degC"
    ),
    "powder_temperature": quantity(
        u.TEMPERATURE, "20 degC", "-20 degC", "80 degC", "of the powder", default="20 degC"
    ),
    "maximum_temperature": quantity(
        u.TEMPERATURE, "45 degC", "0 degC", "150 degC", "that heat-sensitive additives bear", hint=FAHRENHEIT
    ),
}

BAG = {
    "mass": quantity(u.MASS, "25 kg", "0.05 kg", "3 t", "of feed in a bag", required=True),
    "coldest_store": quantity(
        u.TEMPERATURE, "15 degC", "-40 degC", "60 degC", "of its first two days; the air outside if left out"
    ),
    "store_temperature": quantity(
        u.TEMPERATURE,
        "25 degC",
        "-40 degC",
        "60 degC",
        "after those two days; where water activity is judged if left out",
    ),
}

EQUIPMENT = {
    "name": Key("text", "how the answer calls it", '"mixer"', required=True),
    "machine": Key("text", "cooler, or a stage's name: the computed machine stands here", '"cooler"'),
    "capacity": quantity(
        u.MASS_FLOW, "500 kg/h", "0.1 kg/h", "200 t/h", "feed that it takes, without a stop"
    ),
    "batch": quantity(u.MASS, "40 kg", "0.01 kg", "100 t", "in place of capacity, with cycle"),
    "cycle": quantity(u.TIME, "12 min", "1 s", "24 h", "from one batch to the next"),
    "catch": Key(
        "catch",
        "in place of capacity: [mass, in this time] of what runs out, wet",
        '["2.1 kg", "45 s"]',
        u.MASS,
        second=u.TIME,
    ),
    "power": quantity(u.POWER, "7.5 kW", "0 kW", "10 MW", "electric, while it runs"),
    "loss": quantity(u.FRACTION, "0.5 %", "0 %", "50 %", "share of what enters that is lost as dust"),
}
