"""Quantities in SI with US units behind them: for messages that are made without knowing who reads them.

Printed tables show one system (`--units`); a message of the model or of a study shows both, as "8 K (14 °F)".
"""

from __future__ import annotations

POUND = 0.45359237  # kg
FOOT = 0.3048  # m


def temperature(celsius: float, digits: int = 0) -> str:
    """A temperature of a stored value in °C.

    >>> temperature(45.0)
    '45 °C (113 °F)'
    """
    return f"{celsius:.{digits}f} °C ({1.8 * celsius + 32:.{digits}f} °F)"


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
