"""Held against measurements: every published number that the model was compared with, also where it is off.

One room, apart from the materials: nothing here sets a default, and no default is tuned to it (a test forbids a
measured number in a default material). A comparison says who measured it and how that was seen, what was measured,
all that had to be assumed, and the number with the band that this leaves. A number that cannot be reached is not
invented, and one that stands behind a default is not `independent`. README quotes a dozen: the test says which
changed.

Tables known by title only: Andersson & Johansson 2008 (Chalmers EX001/2008) and Fowler 2008 (Oklahoma State),
coolers; Applied Sciences 2025, 15, 9445, a deep bed of pellets; Pacheco et al. 2011, extruded fish feed; Kribs
1995, malt.
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
