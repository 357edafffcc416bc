"""Quantities in SI with US units behind them, for messages that are made without knowing who reads them.

Printed tables show one system (`--units`); a message of the model or of a study shows both, as "8 K (14 °F)", and
whoever prints it for a reader of US units turns the two round (`for_reader`): "14 °F (8 K)".
"""

from __future__ import annotations

import re

POUND = 0.45359237  # kg
FOOT = 0.3048  # m
BRITISH_THERMAL_UNIT = 1055.05585262  # J, of the International Table
HORSEPOWER = 550 * POUND * 9.80665 * FOOT  # W, mechanical: 550 ft·lbf/s

_NUMBERS = r"(-?\d[-+.e\d]*(?: to -?\d[-+.e\d]*)?)"
_PAIRS = "|".join(
    rf"{_NUMBERS} ({si}) \({_NUMBERS} ({us})\)"
    for si, us in (
        ("°C|K", "°F"),
        ("kg|kg/h", "lb|lb/h"),
        ("m³/h", "cfm"),
        ("cm", "in"),
        ("m²", "ft²"),
        ("kW", "BTU/h"),
    )
)


def for_reader(text: str, units: str) -> str:
    """A message with the reader's units first.

    >>> for_reader("air of 45 °C (113 °F), 8 K (14 °F) above 60 to 90 °C (140 to 194 °F)", "us")
    'air of 113 °F (45 °C), 14 °F (8 K) above 140 to 194 °F (60 to 90 °C)'
    """
    return text if units == "si" else re.sub(_PAIRS, _turned, text)


def _turned(pair: re.Match[str]) -> str:
    number, si, other, us = (part for part in pair.groups() if part is not None)
    return f"{other} {us} ({number} {si})"


def temperature(celsius: float, digits: int = 0) -> str:
    """A temperature of a stored value in °C.

    >>> temperature(45.0)
    '45 °C (113 °F)'
    """
    return f"{celsius:.{digits}f} °C ({1.8 * celsius + 32:.{digits}f} °F)"


def temperatures(low: float, high: float) -> str:
    """A range of them.

    >>> temperatures(40.0, 90.0)
    '40 to 90 °C (104 to 194 °F)'
    """
    return f"{low:.0f} to {high:.0f} °C ({1.8 * low + 32:.0f} to {1.8 * high + 32:.0f} °F)"


def difference(kelvin: float, digits: int = 0) -> str:
    """A difference of temperatures, in K.

    >>> difference(8.0)
    '8 K (14 °F)'
    """
    return f"{kelvin:.{digits}f} K ({1.8 * kelvin:.{digits}f} °F)"


def mass(kilograms: float) -> str:
    """A mass.

    >>> mass(299.0)
    '299 kg (659 lb)'
    """
    return f"{kilograms:.0f} kg ({kilograms / POUND:.0f} lb)"


def mass_flow(per_second: float) -> str:
    """A mass flow, in kg/s.

    >>> mass_flow(95 / 3600)
    '95 kg/h (209 lb/h)'
    """
    return f"{3600 * per_second:.0f} kg/h ({3600 * per_second / POUND:.0f} lb/h)"


def airflow(per_second: float) -> str:
    """An airflow, in m³/s.

    >>> airflow(1500 / 3600)
    '1500 m³/h (883 cfm)'
    """
    return f"{3600 * per_second:.0f} m³/h ({60 * per_second / FOOT**3:.0f} cfm)"


def depth(metres: float) -> str:
    """A depth of a bed.

    >>> depth(0.8)
    '80.0 cm (31.5 in)'
    """
    return f"{100 * metres:.1f} cm ({12 * metres / FOOT:.1f} in)"


def area(square_metres: float) -> str:
    """An area, with three digits that count.

    >>> area(2.5)
    '2.5 m² (26.9 ft²)'
    """
    return f"{square_metres:.3g} m² ({square_metres / FOOT**2:.3g} ft²)"


def heat(watts: float) -> str:
    """A heater's power, with three digits that count.

    >>> heat(60e3)
    '60 kW (205000 BTU/h)'
    """
    return f"{watts / 1e3:.3g} kW ({rounded(3600 * watts / BRITISH_THERMAL_UNIT)} BTU/h)"


def rounded(number: float) -> str:
    """A number with three digits that count, and no exponent.

    >>> rounded(204728.0), rounded(5.3641)
    ('205000', '5.36')
    """
    return f"{float(f'{number:.3g}'):.15g}"
