"""The feed of a case as it comes in, whatever is changed before it.

It is computed once, when a scenario is read. What was typed wins; how far that is from what is computed stays as an
offset, so that another weather, another recipe or another conditioning still acts on it (`in_air`). Whoever changes
something before the cooler changes just that: all predictions ask here first, many cases side by side.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from operator import attrgetter
from typing import Any

import numpy as np

from coolsim.case.case import Air, Case
from coolsim.case.line_parts import Conditioning, FeedState, Way
from coolsim.physics.roots import bracketed_root
from coolsim.simulate.upstream import (
    BEFORE,
    CONDITIONED,
    DIE,
    FLASHED,
    MASH,
    Origin,
    Pair,
    Shape,
    arrives,
    conditioned,
    mash_of,
    steam_and_water,
    steam_heat,
)
from coolsim.support.fields import shapes

MOST_WATER = 0.6  # of the mash, that is looked at
NO_NUMBERS = ("ingredient", "equation", "constants")  # fields that are no single number


def origin_of(case: Case) -> Origin:
    """What the feed of a case follows from."""
    shape = Shape(*(getattr(case.feed, f.name) for f in dataclasses.fields(Shape)))
    return Origin(case.material, shape, case.air, case.recipe, case.conditioning, case.die, case.way)


def in_air(case: Case, outside: Air | None = None) -> Case:
    """The case with the feed that comes in its air, or in another in its place; itself where nothing moves.

    Anything before the cooler may have changed since the feed was computed. What is done otherwise (air, recipe,
    conditioning, die, way) is added to the feed that the case has: what was typed or set stays in it. What is known
    otherwise (material, shape) moves what is computed alone: what was typed was measured.
    """
    (found,) = in_air_each([case if outside is None else dataclasses.replace(case, air=outside)])
    if found.arrival is case.arrival:
        return case
    return found if outside is None else dataclasses.replace(found, air=case.air)


def in_air_each(cases: Sequence[Case]) -> list[Case]:
    """The same of many cases, each in its own air; their feeds are computed side by side."""
    found = list(cases)
    now = {k: origin_of(c) for k, c in enumerate(cases) if c.arrival is not None}
    known = {
        k: dataclasses.replace(cases[k].arrival.of, material=of.material, shape=of.shape)  # type: ignore[union-attr]
        for k, of in now.items()
        if _typed(cases[k])
    }
    for moves, held in ((known, True), (now, False)):
        moves = {k: of for k, of in moves.items() if not _stays(found[k].arrival.of, of)}  # type: ignore[union-attr]
        for group in _alike(cases, moves, held):
            each = [moves[k] for k in group]
            for k, states in zip(group, _states([found[k] for k in group], each, held)):
                found[k] = _moved(found[k], moves[k], states, held)
    return found


def _typed(case: Case) -> bool:
    """Whether anything of a feed that is computed was typed."""
    known = case.arrival
    return known is not None and bool(known.typed or known.typed_moisture or known.typed_temperature)


def _states(cases: Sequence[Case], origins: Sequence[Origin], held: bool) -> Iterator[tuple[FeedState, ...]]:
    """The feeds of cases from place to place."""
    if len(cases) == 1:
        (case,), (of,) = cases, origins
        yield arrives(of, mash_of(of.recipe, of.air), *at_die(case, held))
        return
    sampled, off = zip(*(at_die(case, held) for case in cases))
    together = arrives(*_together(origins), _pair(sampled), _pair(off))
    for n in range(len(cases)):
        own = [FeedState(s.place, _entry(s.moisture, n), _entry(s.temperature, n)) for s in together]
        yield tuple(
            s for s, before in zip(own, [None, *own]) if s.place != FLASHED or not _same_state(s, before)
        )


def _same_state(one: FeedState, other: FeedState | None) -> bool:
    return other is not None and (one.moisture, one.temperature) == (other.moisture, other.temperature)


def _alike(cases: Sequence[Case], moves: Mapping[int, Origin], held: bool) -> Iterator[list[int]]:
    """Numbers of cases whose feeds can be computed side by side: they have the same things before them."""
    forms: dict[Any, list[int]] = {}
    for k, now in moves.items():
        if any(True for _ in shapes((now.shape, now.air, now.material.isotherm, now.material.diffusivity))):
            forms[k] = [k]  # arrays of its own
            continue
        tables = (now.recipe, now.conditioning, now.die, now.way)
        given = tuple(tuple(table.given()) for table in tables)
        sampled = tuple(x is None for x in at_die(cases[k], held)[0])
        forms.setdefault((now.material.isotherm.equation, given, sampled), []).append(k)
    yield from forms.values()


def _together(origins: Sequence[Origin]) -> tuple[Origin, Pair | None]:
    """What several feeds follow from, and their mash, with arrays in place of numbers."""
    first = origins[0]

    def column(values: Iterable[Any]) -> Any:
        several = list(values)
        return None if several[0] is None else np.array(several, float)

    def columns(get: Callable[[Origin], Any]) -> Any:
        """A part of what the feed follows from, each of its numbers an array."""
        own, parts = get(first), [get(origin) for origin in origins]
        names = [f.name for f in dataclasses.fields(own) if f.name not in NO_NUMBERS]
        return dataclasses.replace(own, **{n: column(getattr(part, n) for part in parts) for n in names})

    constants = zip(*(origin.material.isotherm.constants for origin in origins))
    isotherm = columns(lambda origin: origin.material.isotherm)
    material = dataclasses.replace(
        first.material,
        isotherm=dataclasses.replace(isotherm, constants=tuple(map(column, constants))),
        diffusivity=columns(lambda origin: origin.material.diffusivity),
        specific_heat=column(origin.material.specific_heat for origin in origins),
        conductivity=column(origin.material.conductivity for origin in origins),
    )
    parts = (attrgetter(name) for name in ("shape", "air", *BEFORE))
    mash = None
    if first.recipe.ingredient:
        mash = _pair([mash_of(origin.recipe, origin.air) for origin in origins])
    return Origin(material, *map(columns, parts)), mash


def _pair(pairs: Sequence[Any]) -> Pair:
    """Moistures and temperatures of several cases, None where they are not said."""
    M, T = ([pair[k] for pair in pairs] for k in (0, 1))
    return tuple(None if x[0] is None else np.array(x, float) for x in (M, T))  # type: ignore[return-value]


def at_die(case: Case, held: bool = False) -> tuple[Pair, Pair]:
    """What was typed as sampled at the die; with a recipe, how far off what is computed there it was.

    held: what was typed stays as it is now, in place of that.
    """
    known = case.arrival
    assert known is not None
    typed = known.typed_moisture, known.typed_temperature
    if not case.recipe.ingredient:
        return typed, (0.0, 0.0)
    if not held:
        return (None, None), (known.die_moisture_offset, known.die_temperature_offset)
    (now,) = [s for s in known.states if s.place == DIE]
    there = now.moisture, now.temperature
    return tuple(None if x is None else y for x, y in zip(typed, there)), (0.0, 0.0)  # type: ignore[return-value]


def off_at_die(origin: Origin, mash: Pair | None, sampled: Pair) -> Pair:
    """How far off what is computed at the die that is which was typed there; nothing where nothing is computed."""
    if mash is None or sampled == (None, None):
        return 0.0, 0.0
    last = arrives(dataclasses.replace(origin, way=Way()), mash)[-1]
    M, T = (0.0 if x is None else x - y for x, y in zip(sampled, (last.moisture, last.temperature)))
    return M, T


def _entry(x: Any, n: int) -> Any:
    return float(x[n]) if np.ndim(x) else float(x)


def _moved(case: Case, now: Origin, states: tuple[FeedState, ...], held: bool) -> Case:
    """The case with the feed of other states; held: what was typed stays."""
    known, feed = case.arrival, case.feed
    assert known is not None
    before, last = known.states[-1], states[-1]
    moves = {
        name: getattr(feed, name) + (getattr(last, name) - getattr(before, name))
        for name in ("moisture", "temperature")
        if not (held and name in known.typed)
    }
    feed = dataclasses.replace(feed, **moves)
    more: dict[str, Any] = {}
    if held:
        off = off_at_die(now, mash_of(now.recipe, now.air), at_die(case, held)[0])
        more = dict(zip(("die_moisture_offset", "die_temperature_offset"), off))
    elif known.keeps_solid:
        solid = (1 - case.feed.moisture) / (1 - feed.moisture)
        feed = dataclasses.replace(feed, throughput=feed.throughput * solid)
        more = {"keeps_solid": False}
    known = dataclasses.replace(known, states=states, of=now, **more)
    return dataclasses.replace(case, feed=feed, arrival=known)


def _stays(before: Origin, now: Origin) -> bool:
    """Whether a feed that was computed of one thing holds for another."""
    for f in dataclasses.fields(Origin):
        a, b = getattr(before, f.name), getattr(now, f.name)
        if a is b or (f.name == "air" and not _feels_weather(now)):
            continue
        if not _equal(a, b):
            return False
    return True


def _equal(a: Any, b: Any) -> bool:
    """Whether two data classes hold the same single numbers; what holds arrays is another."""
    if any(True for _ in shapes((a, b))):
        return False
    return bool(a == b)


def _feels_weather(origin: Origin) -> bool:
    way = bool(origin.way.time and origin.way.air)
    mash = bool(origin.recipe.ingredient) and origin.recipe.temperature is None
    return way or mash


# ---- The conditioner, set otherwise -----------------------------------------------------------------------


def conditioned_as(case: Case, changes: Mapping[str, float]) -> Case:
    """The case with its conditioner set otherwise: water [kg per kg of mash], temperature [°C].

    Its feed follows once it is asked for (`in_air`). The same mash comes: dry solid is kept, not wet throughput.
    """
    if not changes:
        return case
    steam = dataclasses.replace(case.conditioning, **changes)
    arrival = case.arrival
    if arrival is not None and steam != case.conditioning:
        arrival = dataclasses.replace(arrival, keeps_solid=True)
    return dataclasses.replace(case, conditioning=steam, arrival=arrival)


def heat_of_steam(cases: Sequence[Case]) -> Any:
    """Heat [J per kg of dry solid] of the steam that each case takes, alike but for numbers."""
    origin, mash = _together([origin_of(case) for case in cases])
    if mash is None:
        return np.zeros(len(cases))
    steam, _ = steam_and_water(origin.material, *mash, origin.conditioning)
    return steam * steam_heat(origin.conditioning) / (1 - mash[0])


def throughput_about(case: Case) -> float:
    """Wet throughput [kg/s] once the feed has followed its conditioner, if die and way lose what they lose now."""
    known = case.arrival
    if known is None or not known.keeps_solid or not case.recipe.ingredient:
        return float(case.feed.throughput)
    mash = known.states[0]
    M_0, M_1 = (
        conditioned(case.material, mash.moisture, mash.temperature, steam)[0]
        for steam in (known.of.conditioning, case.conditioning)
    )
    M = case.feed.moisture
    return float(case.feed.throughput * (1 - M) / (1 - M - (M_1 - M_0)))


def conditioned_otherwise(case: Case, moisture: float) -> Conditioning | None:
    """The conditioning with which the feed would come in at a moisture [kg/kg wet], about.

    By its water if that does, else without water and by its temperature; None where there is no conditioning, or
    neither does. Die and way are taken to lose what they lose now.
    """
    if case.arrival is None or not case.conditioning or not case.recipe.ingredient:
        return None
    now = {s.place: s for s in case.arrival.states}
    mash, wanted = now[MASH], now[CONDITIONED].moisture + moisture - case.feed.moisture

    def surplus(change: dict[str, Any]) -> Any:
        other = dataclasses.replace(case.conditioning, **change)
        return conditioned(case.material, mash.moisture, mash.temperature, other)[0] - wanted

    most = MOST_WATER
    if float(surplus({"water": 0.0})) <= 0.0 <= float(surplus({"water": most})):
        water = bracketed_root(lambda w: surplus({"water": w}), np.array(0.0), np.array(most))
        return dataclasses.replace(case.conditioning, water=float(water))
    hot = case.conditioning.temperature
    if hot is None or float(surplus({"water": 0.0, "temperature": mash.temperature})) > 0.0:
        return None
    T = bracketed_root(
        lambda T: surplus({"water": 0.0, "temperature": T}),
        np.array(float(mash.temperature)),
        np.array(float(hot)),
    )
    return dataclasses.replace(case.conditioning, water=0.0, temperature=float(T))
