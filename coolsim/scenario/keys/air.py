"""Keys of the air outside: one state, or a file of weather."""

from __future__ import annotations

from coolsim.scenario import units as u
from coolsim.scenario.keys.base import FAHRENHEIT, Key, quantity

AIR_HUMIDITIES = ("relative_humidity", "wet_bulb", "dew_point", "humidity_ratio")
AIR = {
    "temperature": quantity(
        u.TEMPERATURE, "20 degC", "-50 degC", "60 degC", "dry bulb outside", hint=FAHRENHEIT, required=True
    ),
    "relative_humidity": quantity(u.FRACTION, "65 %", "0 %", "100 %", "outside"),
    "wet_bulb": quantity(
        u.TEMPERATURE, "16 degC", "-50 degC", "60 degC", "in place of relative_humidity", hint=FAHRENHEIT
    ),
    "dew_point": quantity(
        u.TEMPERATURE, "13 degC", "-60 degC", "60 degC", "in place of relative_humidity", hint=FAHRENHEIT
    ),
    "humidity_ratio": quantity(
        u.HUMIDITY_RATIO, "9.5 g/kg", "0 g/kg", "200 g/kg", "in place of relative_humidity", si="g/kg"
    ),
    "altitude": quantity(u.LENGTH, "120 m", "-450 m", "6000 m", "of the site above the sea", default="0 m"),
    "pressure": quantity(
        u.PRESSURE, "100 kPa", "45 kPa", "110 kPa", "barometric, in place of altitude", si="Pa", us="inHg"
    ),
}

WEATHER = {
    "file": Key("text", "epw or csv, relative to the scenario", '"weather.epw"', required=True),
    "operating_hours": Key("hours", "hours of the day in which it runs: from, to", '["06:00", "22:00"]'),
}

WEATHER_UNITS = {
    name: Key("unit", f"of the column {name} of a csv", f'"{AIR[name].unit("si")}"', AIR[name].dimension)
    for name in ("temperature", *AIR_HUMIDITIES, "pressure")
}
