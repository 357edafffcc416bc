"""Quantities in SI with US units behind them, for messages that are made without knowing who reads them.

Printed tables show one system (`--units`); a message of the model or of a study shows both, as "8 K (14 °F)", and
whoever prints it for a reader of US units turns the two round (`for_reader`): "14 °F (8 K)".
"""

from __future__ import annotations

import re
from dataclasses import dataclass

POUND = 0.45359237  # kg
FOOT = 0.3048  # m
BRITISH_THERMAL_UNIT = 1055.05585262  # J, of the International Table


@dataclass(frozen=True)
class Both:
    """A quantity in both: its units, what a stored value is multiplied by, and the digits that count.

    >>> temperature(45.0), difference(8.0), mass_flow(95 / 3600)
    ('45 °C (113 °F)', '8 K (14 °F)', '95 kg/h (209 lb/h)')
    >>> temperature.between(40.0, 90.0), area(2.5), heat(60e3)
    ('40 to 90 °C (104 to 194 °F)', '2.5 m² (26.9 ft²)', '60 kW (205000 BTU/h)')
    """

    si: str
    us: str
    to_si: float
    to_us: float
    zero: float = 0.0  # of the US scale
    digits: int | None = 0  # behind the point; None: three digits in all

    def __call__(self, value: float, digits: int | None = None) -> str:
        """A stored value."""
        return self._told([value], self.digits if digits is None else digits)

    def between(self, low: float, high: float) -> str:
        """A range."""
        return self._told([low, high], self.digits)

    def _told(self, values: list[float], digits: int | None) -> str:
        def numbers(factor: float, zero: float) -> str:
            found = [factor * value + zero for value in values]
            return " to ".join(rounded(x) if digits is None else f"{x:.{digits}f}" for x in found)

        return f"{numbers(self.to_si, 0.0)} {self.si} ({numbers(self.to_us, self.zero)} {self.us})"


def rounded(number: float) -> str:
    """A number with three digits that count, and no exponent.

    >>> rounded(204728.0), rounded(5.3641)
    ('205000', '5.36')
    """
    return f"{float(f'{number:.3g}'):.15g}"


temperature = Both("°C", "°F", 1.0, 1.8, zero=32.0)
difference = Both("K", "°F", 1.0, 1.8)
mass = Both("kg", "lb", 1.0, 1 / POUND)
mass_flow = Both("kg/h", "lb/h", 3600.0, 3600 / POUND)
airflow = Both("m³/h", "cfm", 3600.0, 60 / FOOT**3)
depth = Both("cm", "in", 100.0, 12 / FOOT, digits=1)
area = Both("m²", "ft²", 1.0, 1 / FOOT**2, digits=None)
heat = Both("kW", "BTU/h", 1e-3, 3600 / BRITISH_THERMAL_UNIT, digits=None)

_NUMBERS = r"(-?\d[-+.e\d]*(?: to -?\d[-+.e\d]*)?)"
_PAIRS = re.compile(
    "|".join(
        rf"{_NUMBERS} ({both.si}) \({_NUMBERS} ({both.us})\)"
        for both in (temperature, difference, mass, mass_flow, airflow, depth, area, heat)
    )
)


def for_reader(text: str, units: str) -> str:
    """A message with the reader's units first.

    >>> for_reader("air of 45 °C (113 °F), 8 K (14 °F) above 60 to 90 °C (140 to 194 °F)", "us")
    'air of 113 °F (45 °C), 14 °F (8 K) above 140 to 194 °F (60 to 90 °C)'
    """
    return text if units == "si" else _PAIRS.sub(_turned, text)


def _turned(pair: re.Match[str]) -> str:
    number, si, other, us = (part for part in pair.groups() if part is not None)
    return f"{other} {us} ({number} {si})"
