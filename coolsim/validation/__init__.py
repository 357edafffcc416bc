"""Held against measurements: every published number that the model was compared with, also where it is off.

One room, apart from the materials: nothing here sets a default, and no default is tuned to it.
"""

from __future__ import annotations

from coolsim.validation.beds import beds
from coolsim.validation.comparison import Comparison
from coolsim.validation.coolers import coolers
from coolsim.validation.isotherms import isotherms
from coolsim.validation.stores import stores

__all__ = ["Comparison", "validate"]


def validate() -> tuple[Comparison, ...]:
    """Return every comparison, computed anew (some seconds)."""
    return (*isotherms(), *coolers(), *stores(), *beds())
