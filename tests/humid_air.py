"""CoolProp's properties, which is loaded when a test first asks for one: it takes two seconds, each worker loads
all test files, and few tests ask."""

from __future__ import annotations

from typing import Any


def PropsSI(*asked: Any) -> Any:
    """Of a pure fluid, as `CoolProp.CoolProp.PropsSI`."""
    from CoolProp import CoolProp

    return CoolProp.PropsSI(*asked)


def HAPropsSI(*asked: Any) -> Any:
    """Of humid air, as `CoolProp.CoolProp.HAPropsSI`."""
    from CoolProp import CoolProp

    return CoolProp.HAPropsSI(*asked)
