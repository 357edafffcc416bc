"""How far feed moisture and the air outside go to either side of what a scenario says: one table for every picture.

`usual`: what they do by themselves, a press from lot to lot and the air from night to day; assumed. Report, levers
and the bars of a page vary them so. `page_ranges`: as far as the sliders of a page go, for whoever asks what
else may come; what dries answers less smoothly to the air, so its page goes less far.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

from coolsim.case.case import Case
from coolsim.simulate.requirements import is_dryer

FEED, WARMTH, HUMIDITY = "feed_moisture", "air_temperature", "relative_humidity"
Ends = tuple[float, float]


@dataclass(frozen=True)
class _Range:
    usual: float  # to either side
    reach: float  # of a page
    least: float
    most: float


_AIR: Mapping[str, Mapping[str, _Range]] = {
    "cooler": {WARMTH: _Range(5.0, 10.0, -20.0, 48.0), HUMIDITY: _Range(0.15, 0.5, 0.2, 0.98)},
    "dryer": {WARMTH: _Range(5.0, 5.0, -20.0, 48.0), HUMIDITY: _Range(0.15, 0.25, 0.2, 0.95)},
}
_FEED = _Range(0.01, 0.015, 0.2, 1.0)  # kg/kg wet; at least a share of it
_FEED_SHARE = 0.1  # of it that a page reaches at least


def in_air_of(case: Case, **changes: float) -> Case:
    """The case with the air outside changed."""
    return dataclasses.replace(case, air=dataclasses.replace(case.air, **changes))


def usual(case: Case) -> dict[str, Ends]:
    """From where to where feed and weather go by themselves."""
    return {name: _ends(now, one.usual, one) for name, (now, one) in _ranges(case).items()}


def page_ranges(case: Case) -> dict[str, Ends]:
    """From where to where a page looks."""
    return {name: _ends(now, one.reach, one) for name, (now, one) in _ranges(case).items()}


def half(name: str) -> float:
    """How far something goes by itself, to either side."""
    return (_FEED if name == FEED else _AIR["cooler"][name]).usual


def dries(case: Case) -> bool:
    """Whether it is a dryer, or a line that has one."""
    stages = getattr(case.cooler, "stages", None)
    return any(s.cooler.arrangement != "counter-flow" for s in stages) if stages else is_dryer(case)


def _ranges(case: Case) -> dict[str, tuple[float, _Range]]:
    M, of_air = float(case.feed.moisture), _AIR["dryer" if dries(case) else "cooler"]
    fed = _Range(_FEED.usual, max(_FEED.reach, _FEED_SHARE * M), _FEED.least * M, _FEED.most)
    now = {WARMTH: float(case.air.temperature), HUMIDITY: float(case.air.relative_humidity)}
    return {FEED: (M, fed), **{name: (now[name], one) for name, one in of_air.items()}}


def _ends(now: float, far: float, one: _Range) -> Ends:
    """To either side as far as can be, and never not as far as it stands."""
    return min(max(now - far, one.least), now), max(min(now + far, one.most), now)
