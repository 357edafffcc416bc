"""One quantity as text: "1800 cfm" ↔ 0.8495 m³/s. The only place where a unit string is read or made.

pint does the arithmetic, behind a reader of our own and with the units of `data/units.txt`: by itself pint
reads "0,5 m" as 0 m, "1 200 kg/h" as 200, "1800 cfm" as centifermi, "185 F" as farad, and evaluates
whatever expression it is handed. So the number is split off here, the unit must fit a small grammar
before pint sees it, and the dimension is checked after.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from coolsim.support.errors import Fault, InputError

UNITS = Path(__file__).parents[1] / "data" / "units.txt"
LONGEST_QUANTITY = 80  # characters; a scenario has no use for more, and pint should never see it
LONGEST_UNIT = 40


SYSTEMS = ("si", "us")


def known_system(units: str) -> str:
    """The name of a system of units; raises InputError."""
    if units not in SYSTEMS:
        raise InputError([Fault("", "units", repr(units)[:40], 'needs "si" or "us"')])
    return units


class Misread(ValueError):
    """A text that is no quantity of the wanted dimension; says what would be."""


@dataclass(frozen=True)
class Dimension:
    """What a quantity measures, the unit it is stored in, and the units in which people write it."""

    name: str  # with its article: "a length"
    stored: str  # unit of the stored number, as pint writes it
    si: str  # practical unit for tables
    us: str  # the same with --units us
    common: tuple[str, ...]  # offered when a unit is misspelt
    example: str


def _dimension(name: str, stored: str, si: str, us: str, common: str, example: str) -> Dimension:
    return Dimension(name, stored, si, us, tuple(common.split(", ")), example)


LENGTH = _dimension("a length", "m", "m", "ft", "mm, cm, m, in, ft", "4 mm")
AREA = _dimension("an area", "m**2", "m2", "ft2", "m2, cm2, ft2, in2", "0.5 m2")
MASS = _dimension("a mass", "kg", "kg", "lb", "kg, t, lb, short_ton", "250 kg")
POWER = _dimension("a power", "W", "kW", "BTU/h", "W, kW, MW, BTU/h, hp", "60 kW")
ENERGY = _dimension("an energy", "J", "kWh", "kWh", "kWh, MJ, BTU", "120 kWh")
HEAT_PER_WATER = _dimension("a heat per mass", "J/kg", "MJ/kg", "BTU/lb", "MJ/kg, kWh/kg, BTU/lb", "3 MJ/kg")
ENERGY_PER_MASS = _dimension(
    "an energy per mass", "J/kg", "kWh/t", "kWh/short_ton", "kWh/t, kJ/kg", "15 kWh/t"
)
MASS_FLOW = _dimension("a mass flow", "kg/s", "kg/h", "lb/h", "kg/h, t/h, lb/h, short_ton/h", "1200 kg/h")
TEMPERATURE = _dimension("a temperature", "degC", "degC", "degF", "degC, degF, K", "82 degC")
DIFFERENCE = _dimension("a temperature difference", "kelvin", "K", "degF", "K, degC, degF", "6 K")
FRACTION = _dimension("a fraction in %", "%", "%", "%", "%", "14 %")
DENSITY = _dimension("a density", "kg/m**3", "kg/m3", "lb/ft3", "kg/m3, g/cm3, lb/ft3", "560 kg/m3")
PRESSURE = _dimension("a pressure", "Pa", "Pa", "inH2O", "Pa, kPa, mbar, mmH2O, inH2O, psi", "2500 Pa")
PRESSURE_GRADIENT = _dimension(
    "a pressure per length", "Pa/m", "Pa/m", "inH2O/ft", "Pa/m, inH2O/ft", "300 Pa/m"
)
VOLUME_FLOW = _dimension("an airflow", "m**3/s", "m3/h", "cfm", "m3/h, m3/s, cfm", "1500 m3/h")
TIME = _dimension("a time", "s", "min", "min", "s, min, h", "12 min")
SPEED = _dimension("a speed", "m/s", "m/s", "ft/min", "m/s, ft/min", "0.8 m/s")
AIR_RATIO = _dimension("an air ratio", "1", "kg/kg", "lb/lb", "kg/kg, lb/lb, m3/t", "1.2 kg/kg")
HUMIDITY_RATIO = _dimension(
    "a humidity ratio", "1", "kg/kg", "grain/lb", "g/kg, kg/kg, lb/lb, grain/lb", "18 g/kg"
)
AIR_VOLUME_RATIO = _dimension(
    "an air volume per mass of feed", "m**3/kg", "m3/t", "ft3/lb", "m3/t", "750 m3/t"
)
SPECIFIC_HEAT = _dimension(
    "a specific heat",
    "J/(kg*K)",
    "J/(kg K)",
    "BTU/(lb degF)",
    "J/(kg K), kJ/(kg K), BTU/(lb degF)",
    "1800 J/(kg K)",
)
CONDUCTIVITY = _dimension(
    "a conductivity", "W/(m*K)", "W/(m K)", "BTU/(h ft degF)", "W/(m K), BTU/(h ft degF)", "0.2 W/(m K)"
)
DIFFUSIVITY = _dimension("a diffusivity", "m**2/s", "m2/s", "m2/s", "m2/s, cm2/s", "8e-10 m2/s")
MOLAR_ENERGY = _dimension("a molar energy", "J/mol", "kJ/mol", "kJ/mol", "kJ/mol, J/mol", "26 kJ/mol")
ENERGY_PRICE = _dimension("a price of energy", "1/J", "/kWh", "/kWh", "/kWh, /MJ, /GJ", "0.15 /kWh")
MASS_PRICE = _dimension("a price of feed", "1/kg", "/kg", "/lb", "/kg, /t, /lb", "0.55 /kg")

# By the names under which `coolsim.case.quantities` knows them.
DIMENSIONS: dict[str, Dimension] = {
    "length": LENGTH,
    "mass": MASS,
    "temperature": TEMPERATURE,
    "difference": DIFFERENCE,
    "fraction": FRACTION,
    "pressure": PRESSURE,
    "volume_flow": VOLUME_FLOW,
    "time": TIME,
    "speed": SPEED,
    "air_ratio": AIR_RATIO,
    "area": AREA,
}

_RATIOS = (AIR_RATIO, HUMIDITY_RATIO)  # kg/kg has no dimension left: both halves are checked instead

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_TOKEN = re.compile(
    r"""(?P<squeezed>(?:mm|cm|ft|in|m)[23])(?![A-Za-z0-9])   # m3, ft2: only for lengths in daily use
      | (?P<name>(?:in|ft|mm|cm)H2O | °[CF] | [µμ]?[A-Za-z][A-Za-z_]*)
        (?P<power>\s*(?:\*\*|\^)\s*[1-9](?![0-9]) | [²³])?     # one digit: "9**9**9" never gets far
      | (?P<one>1)(?=\s*/)
      | (?P<operator>[*/() ])""",
    re.VERBOSE,
)

# What people mean when they write a unit that is not one, or one that means something else to pint.
_MEANT = {
    "f": "degF",
    "deg f": "degF",
    "c": "degC",
    "deg c": "degC",
    "celsius": "degC",
    "fahrenheit": "degF",
    "ºc": "degC",
    "ºf": "degF",
    "pct": "%",
    "percent": "%",
    "%rh": "%",
    "% rh": "%",
    "ton": "t or short_ton",
    "tons": "t or short_ton",
    "tph": "t/h",
    "ton/h": "t/h or short_ton/h",
    "tons/h": "t/h or short_ton/h",
    "cmh": "m3/h",
    "m3h": "m3/h",
    "cms": "m3/s",
    "scfm": "cfm",
    "acfm": "cfm",
    "icfm": "cfm",
    "fpm": "ft/min",
    "psig": "psi",
    "mmwg": "mmH2O",
    "mmwc": "mmH2O",
    "mm wc": "mmH2O",
    "in wc": "inH2O",
    "inwc": "inH2O",
    "in wg": "inH2O",
    "inwg": "inH2O",
    "w/mk": "W/(m K)",
    "w/m k": "W/(m K)",
    "j/kgk": "J/(kg K)",
    "j/kg k": "J/(kg K)",
    "kj/kg k": "kJ/(kg K)",
}


@cache
def _registry() -> Any:
    import pint  # 0.2 s: only once a quantity is read

    return pint.UnitRegistry(UNITS)


@lru_cache(maxsize=4096)  # the same few quantities, and the ends of every range, are read again and again
def read(text: str, dimension: Dimension) -> float:
    """Return the quantity `text` in the stored unit of `dimension`; raises Misread.

    >>> round(read("1800 cfm", VOLUME_FLOW), 6)
    0.849505
    """
    number, unit = split(text)
    return convert(number, unit, dimension)


def split(text: str) -> tuple[float, str]:
    """Return the finite number and the unit of `text`; raises Misread."""
    if len(text) > LONGEST_QUANTITY:
        raise Misread(f"a quantity of at most {LONGEST_QUANTITY} characters")
    text = text.strip()
    if "," in text:
        raise Misread("a number written with a point and without commas, such as 0.5 or 1200")
    match = _NUMBER.match(text)
    if not match:
        raise Misread("a quantity that starts with one finite number, such as 12 or 0.5 or 8e-10")
    unit = text[match.end() :]
    below = re.match(r"\s*/\s*([1-9][0-9]{0,3})(?![0-9.])\s*", unit)
    if below:
        told = f"{float(match[0]) / int(below[1]):.6g} {unit[below.end() :]}".rstrip()
        raise Misread(f"a number with a point in place of a fraction: {told}")
    if re.match(r"\s*[0-9._]", unit):
        raise Misread("one number without spaces or separators inside, such as 1200")
    number = float(match[0])
    if not math.isfinite(number):
        raise Misread("a number of finite size")
    return number, unit.strip()


def convert(number: float, unit: str, dimension: Dimension) -> float:
    """Return `number` × `unit` in the stored unit of `dimension`; raises Misread."""
    if dimension is FRACTION:
        if unit != "%":
            raise Misread(_wanted(unit, dimension))
        return number / 100.0
    if not unit:
        raise Misread(_wanted(unit, dimension))
    if dimension in _RATIOS:
        return number * _mass_ratio(unit, dimension)
    return _finite(number, _same_dimension(unit, dimension), dimension)


def read_price(text: str, dimension: Dimension) -> tuple[float, str]:
    """Return a price in the stored unit and its currency ("" where none is named); raises Misread."""
    number, rest = split(text)
    match = re.fullmatch(r"([A-Za-z]{3})?\s*/\s*(.+)", rest)
    if not match:
        raise Misread(f'{dimension.name}, such as "{dimension.example}" or "0.15 EUR{dimension.si}"')
    currency, unit = match.groups()
    return convert(number, f"1/{unit}", dimension), (currency or "").upper()


def shown(value: float, dimension: Dimension, unit: str) -> float:
    """Return a stored `value` as a number of `unit`."""
    if dimension is FRACTION:
        return value * 100.0
    if dimension in _RATIOS:
        return value / _mass_ratio(unit, dimension)
    unit = f"1{unit}" if unit.startswith("/") else unit
    parsed = _same_dimension(unit, dimension)
    return float(_registry().Quantity(value, dimension.stored).to(parsed).magnitude)


def text_of(value: float, dimension: Dimension, unit: str = "", digits: int = 12) -> str:
    """Return a stored `value` as text that `read` reads back, in `unit` or the usual one."""
    unit = unit or dimension.si
    return f"{shown(value, dimension, unit):.{digits}g} {unit}"


def _finite(number: float, unit: Any, dimension: Dimension) -> float:
    value = float(_registry().Quantity(number, unit).to(dimension.stored).magnitude)
    if not math.isfinite(value) or (number and dimension is not TEMPERATURE and value == 0.0):
        raise Misread(f"{dimension.name} of a size that can be computed with")
    return value


def _mass_ratio(unit: str, dimension: Dimension) -> float:
    halves = unit.split("/")
    if len(halves) != 2:
        raise Misread(_wanted(unit, dimension))
    mass = Dimension("a mass", "kg", "kg", "lb", dimension.common, dimension.example)
    try:
        above, below = (_finite(1.0, _same_dimension(half, mass), mass) for half in halves)
    except Misread:
        raise Misread(_wanted(unit, dimension)) from None
    return above / below


@lru_cache(maxsize=512)  # studies read the same few units thousands of times
def _same_dimension(unit: str, dimension: Dimension) -> Any:
    """Return the pint unit that `unit` names, if it measures `dimension`; raises Misread."""
    registry = _registry()
    try:
        parsed = registry.parse_units(_rewritten(unit))
    except Exception:  # pint raises its own, the tokenizer's and Python's errors on malformed units alike
        raise Misread(_wanted(unit, dimension)) from None
    names = [name for name, _ in parsed._units.items()]
    if any(not registry.get_dimensionality(name) for name in names):  # radian, count, ppm: never needed
        raise Misread(_wanted(unit, dimension))
    if dimension in (TEMPERATURE, DIFFERENCE):
        return _temperature(unit, names, parsed, dimension)
    if parsed.dimensionality != registry.parse_units(dimension.stored).dimensionality:
        raise Misread(_wanted(unit, dimension))
    return parsed


def _temperature(unit: str, names: list[str], parsed: Any, dimension: Dimension) -> Any:
    """Return a unit of temperature, as a scale with its zero or, for a difference, without."""
    single = str(parsed.dimensionality) == "[temperature]" and len(names) == 1
    if not single or (dimension is TEMPERATURE and names[0].startswith("delta_")):
        raise Misread(_wanted(unit, dimension))
    if dimension is DIFFERENCE and names[0] in ("degree_Celsius", "degree_Fahrenheit"):
        return _registry().parse_units(f"delta_{names[0]}")
    return parsed


def _rewritten(unit: str) -> str:
    """Return `unit` as pint reads it, if it fits our grammar; raises Misread (caught by the caller)."""
    if len(unit) > LONGEST_UNIT:
        raise Misread("a shorter unit")
    words, at = [], 0
    unit = unit.strip()
    while at < len(unit):
        match = _TOKEN.match(unit, at)
        if not match:
            raise Misread("a unit")
        words.append(_word(match))
        at = match.end()
    return "".join(words)


def _word(match: re.Match[str]) -> str:
    if squeezed := match["squeezed"]:
        return f"{squeezed[:-1]}**{squeezed[-1]}"
    if name := match["name"]:
        # bare tons differ by a tenth between countries; a prefixed cfm is always a misreading ("acfm")
        if name in ("ton", "tons") or (name.endswith("cfm") and name != "cfm"):
            raise Misread("an unambiguous unit")
        power = (match["power"] or "").strip().lstrip("*^").strip()
        power = {"²": "2", "³": "3"}.get(power, power)
        return name.replace("°", "deg") + (f"**{power}" if power else "")
    return match[0]


def _wanted(unit: str, dimension: Dimension) -> str:
    """Say which units fit, and which one was probably meant."""
    allowed = f'{dimension.name}, such as "{dimension.example}"'
    if len(dimension.common) > 1:
        allowed += f" (units: {', '.join(dimension.common)})"
    if not unit:
        return f"{allowed}: the unit is missing"
    plain = " ".join(unit.lower().split())
    meant = _MEANT.get(plain, "")
    if meant and not set(meant.split(" or ")) & set(dimension.common):
        meant = ""
    if not meant and dimension is FRACTION and plain.startswith("%"):
        return f"{allowed}: only the % follows the number; the key says what it is a share of"
    if not meant:
        by_case = {common.lower(): common for common in dimension.common}
        near = difflib.get_close_matches(plain[:LONGEST_UNIT], by_case, 1, 0.75)
        meant = by_case[near[0]] if near else ""
    return f"{allowed}; did you mean {meant}?" if meant else allowed
