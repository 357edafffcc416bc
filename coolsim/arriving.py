"""What the cooler is fed, from what is before it: recipe, conditioning, die, and the way from die to cooler.

The feed of a case is computed once for the air of the case. What was typed wins; how far it is from what is
computed stays as an offset, so that another weather still acts on it (`in_air`). All steps keep one datum.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from coolsim.around import (
    HEAT_TO_FEED,
    STEAM_PRESSURE,
    STEAM_QUALITY,
    WATER_TEMPERATURE,
    Conditioning,
    Die,
    FeedState,
    Recipe,
    Way,
)
from coolsim.case import Air, Case, Feed
from coolsim.fields import Number
from coolsim.model import way as travel
from coolsim.physics import air, conditioning, pellet
from coolsim.physics.materials import Material
from coolsim.physics.roots import bracketed_root

ADDS_UP = 0.005  # how far shares of a recipe may be from a whole
BEFORE = {"recipe": Recipe, "conditioning": Conditioning, "die": Die, "way": Way}  # tables, by name
MOST_WATER = 0.6  # of the mash, that is looked at
MASH, CONDITIONED, DIE, FLASHED, COOLER = "mash", "conditioned", "die", "after the flash", "cooler"


def arrives(
    material: Material,
    shape: Feed,
    outside: Air,
    recipe: Recipe,
    steam: Conditioning,
    die: Die,
    way: Way,
    sampled: tuple[Any, Any] = (None, None),
) -> tuple[FeedState, ...]:
    """The feed from the mash to the cooler, in some air (scalars or arrays).

    shape: whose size, density and voids the pellets have; sampled: moisture and temperature typed as of the die.
    """
    found, M, T = _to_the_way(material, outside, recipe, steam, die, way, sampled)
    if way.time and way.air:
        equation, numbers = _numbers_of_way(material, shape, outside, M, T, way)
        if all(np.ndim(x) == 0 for x in numbers):
            M, T = _one_way(equation, *map(float, numbers))
        else:
            shape_of = np.broadcast_shapes(*(np.shape(x) for x in numbers))
            columns = [np.broadcast_to(np.asarray(x, float), shape_of).ravel() for x in numbers]
            M, T = (x.reshape(shape_of) for x in _ways(equation, *columns))
    return (*found, FeedState(COOLER, _bare(M), _bare(T)))


def _to_the_way(
    material: Material,
    outside: Air,
    recipe: Recipe,
    steam: Conditioning,
    die: Die,
    way: Way,
    sampled: tuple[Any, Any],
) -> tuple[list[FeedState], Any, Any]:
    """The feed from the mash to behind the die, and as it goes on its way, if there is one: flashed."""
    found: list[FeedState] = []
    M: Any = None
    T: Any = None

    def at(place: str) -> None:
        found.append(FeedState(place, _bare(M), _bare(T)))

    if recipe.ingredient:
        M, T = recipe_moisture(recipe), mash_temperature(recipe, outside)
        at(MASH)
        if steam:
            M, T = conditioned(material, M, T, steam)
            at(CONDITIONED)
        if die.specific_energy:
            heat = die.specific_energy * _given(die.heat_to_feed, HEAT_TO_FEED)
            T = conditioning.warmed(material.isotherm, material.specific_heat, M / (1 - M), T, heat)
    M, T = _given(sampled[0], M), _given(sampled[1], T)
    at(DIE)
    if way.time and way.air:
        X, flashed = pellet.flash(material.isotherm, material.specific_heat, M / (1 - M), T, outside.pressure)
        if np.any(flashed != T):
            M, T = X / (1 + X), flashed
            at(FLASHED)
    return found, M, T


def _bare(x: Any) -> Any:
    return float(x) if np.ndim(x) == 0 else x


def recipe_moisture(recipe: Recipe) -> float:
    """Moisture [kg/kg wet] of the mash."""
    shares, moistures = (np.array([getattr(i, n) for i in recipe.ingredient]) for n in ("share", "moisture"))
    return float(conditioning.mixed_moisture(shares, moistures))


def mash_temperature(recipe: Recipe, outside: Air) -> Number:
    """Temperature [°C] of the mash: as typed, or that of the air outside (not below the freezing point)."""
    return np.maximum(outside.temperature, 0.0) if recipe.temperature is None else recipe.temperature


def steam_and_water(material: Material, M: Number, T: Number, steam: Conditioning) -> tuple[Number, Number]:
    """Steam and water [kg per kg of mash] that conditioning takes."""
    if steam.temperature is None:
        return 0.0 * M, _given(steam.water, 0.0)
    h = steam_enthalpy(steam)
    water, X = _given(steam.water, 0.0) / (1 - M), M / (1 - M)
    of_water = _of_water(steam)
    taken = conditioning.steam_taken(
        material.isotherm, material.specific_heat, X, T, steam.temperature, h, water, of_water
    )
    return taken * (1 - M), water * (1 - M)


def steam_enthalpy(steam: Conditioning) -> Number:
    """Enthalpy [J/kg] of the steam."""
    return conditioning.steam_enthalpy(
        _given(steam.steam_pressure, STEAM_PRESSURE), _given(steam.steam_quality, STEAM_QUALITY)
    )


def conditioned(material: Material, M: Number, T: Number, steam: Conditioning) -> tuple[Number, Number]:
    """Moisture [kg/kg wet] and temperature [°C] of the conditioned mash; without a temperature no steam."""
    vapour, water = steam_and_water(material, M, T, steam)
    wet = (M + vapour + water) / (1 + vapour + water)
    if steam.temperature is not None:
        return wet, steam.temperature
    X, w = M / (1 - M), water / (1 - M)
    return wet, conditioning.wetted(material.isotherm, material.specific_heat, X, T, w, _of_water(steam))


def _of_water(steam: Conditioning) -> Number:
    """Enthalpy [J/kg] of the water that is added."""
    return air.HEAT_CAPACITY_WATER * _given(steam.water_temperature, WATER_TEMPERATURE)


def _numbers_of_way(
    material: Material, shape: Feed, outside: Air, M: Number, T: Number, way: Way
) -> tuple[str, tuple[Any, ...]]:
    """The form of the isotherm, and the numbers that `_ways` takes."""
    law, isotherm = material.diffusivity, material.isotherm
    of_solid = shape.bulk_density * (1 - M) / (1 - shape.void_fraction)
    radius = pellet.equivalent_sphere_radius(shape.diameter, shape.length)
    return isotherm.equation, (
        *(M, T, way.time, way.air, outside.temperature, outside.relative_humidity, outside.pressure),
        *(radius, of_solid, material.specific_heat, material.conductivity),
        *(getattr(law, f.name) for f in dataclasses.fields(law)),
        *(isotherm.fat, isotherm.scale, *isotherm.constants),
    )


@lru_cache(maxsize=64)  # the stages of a line, and studies of other things, ask for the same way again
def _one_way(equation: str, *numbers: float) -> tuple[float, float]:
    M, T = _ways(equation, *(np.array([x]) for x in numbers))
    return float(M[0]), float(T[0])


def _ways(equation: str, *columns: Any) -> tuple[Any, Any]:
    M, T, seconds, per_pellets, T_air, RH, p, radius, of_solid, c_d, k, *rest = columns
    law, (fat, scale, *constants) = pellet.Diffusivity(*rest[:5]), rest[5:]
    isotherm = pellet.Isotherm(equation, tuple(constants), fat, scale)
    sphere = travel.Sphere(radius, of_solid, c_d, k, law, isotherm)
    X, Y = M / (1 - M), air.humidity_ratio_from_relative_humidity(T_air, RH, p)
    X, T = travel.travelled(sphere, X, T, seconds, per_pellets * (1 + X), T_air, Y, p)
    return X / (1 + X), T


def _given(value: Any, otherwise: Any) -> Any:
    return otherwise if value is None else value


# ---- Of a case ----------------------------------------------------------------------------------------


def in_air(case: Case, outside: Air | None = None) -> Case:
    """The case with the feed that comes in its air, or in another in its place; itself where nothing moves.

    What the air changes is added to the feed that the case has: what was typed or set stays in it.
    """
    known, now = case.arrival, case.air if outside is None else outside
    if known is None or _same(known.air, now) or not _feels_weather(case):
        return case
    return _moved(case, now, _states(case, now))


def in_air_each(cases: Sequence[Case]) -> list[Case]:
    """The same of many cases, each in its own air; their ways are travelled side by side."""
    found = list(cases)
    moves = [
        k
        for k, c in enumerate(cases)
        if c.arrival is not None and not _same(c.arrival.air, c.air) and _feels_weather(c)
    ]
    begun: dict[int, tuple[list[FeedState], Any, Any]] = {}
    for group in _sharing([(k, cases[k]) for k in moves]):
        first = cases[group[0]]
        columns = [[getattr(cases[k].air, f.name) for k in group] for f in dataclasses.fields(Air)]
        air_ = Air(*(np.array(c, float) for c in columns))
        states, M, T = _to_the_way(
            first.material, air_, first.recipe, first.conditioning, first.die, first.way, _sampled(first)
        )
        for n, k in enumerate(group):
            own = [FeedState(s.place, _entry(s.moisture, n), _entry(s.temperature, n)) for s in states]
            begun[k] = own, _entry(M, n), _entry(T, n)
    ends = _ends({k: (cases[k], M, T) for k, (_, M, T) in begun.items()})
    for k, (states, _, _) in begun.items():
        found[k] = _moved(cases[k], cases[k].air, (*states, FeedState(COOLER, *ends[k])))
    return found


def _sharing(cases: Sequence[tuple[int, Case]]) -> Iterator[list[int]]:
    """Numbers of cases that share all that is before the way but the air."""
    alike: dict[tuple[int, ...], list[int]] = {}
    for k, c in cases:
        shared = (c.material, c.recipe, c.conditioning, c.die, c.way, c.arrival)
        alike.setdefault(tuple(map(id, shared)), []).append(k)
    yield from alike.values()


def _ends(begun: dict[int, tuple[Case, float, float]]) -> dict[int, tuple[float, float]]:
    """Moisture and temperature behind the way of cases that begin it so; those of one form of isotherm at once."""
    found = {k: (M, T) for k, (_, M, T) in begun.items()}
    forms: dict[str, list[tuple[int, tuple[Any, ...]]]] = {}
    for k, (c, M, T) in begun.items():
        if c.way.time and c.way.air:
            equation, numbers = _numbers_of_way(c.material, c.feed, c.air, M, T, c.way)
            forms.setdefault(equation, []).append((k, numbers))
    for equation, rows in forms.items():
        moistures, temperatures = _ways(equation, *np.array([numbers for _, numbers in rows], float).T)
        found |= {k: (float(M), float(T)) for (k, _), M, T in zip(rows, moistures, temperatures)}
    return found


def _entry(x: Any, n: int) -> Any:
    return float(x[n]) if np.ndim(x) else float(x)


def _sampled(case: Case) -> tuple[Any, Any]:
    """What was typed as sampled at the die."""
    known = case.arrival
    return (None, None) if known is None else (known.typed_moisture, known.typed_temperature)


def _states(case: Case, outside: Air) -> tuple[FeedState, ...]:
    tables = case.recipe, case.conditioning, case.die, case.way
    return arrives(case.material, case.feed, outside, *tables, _sampled(case))


def _moved(case: Case, outside: Air, states: tuple[FeedState, ...]) -> Case:
    known, feed = case.arrival, case.feed
    assert known is not None
    before, last = known.states[-1], states[-1]
    feed = dataclasses.replace(
        feed,
        moisture=feed.moisture + (last.moisture - before.moisture),
        temperature=feed.temperature + (last.temperature - before.temperature),
    )
    return dataclasses.replace(
        case, feed=feed, arrival=dataclasses.replace(known, states=states, air=outside)
    )


def _same(one: Any, other: Any) -> bool:
    """Whether two states of air are the same single one."""
    if one is other:
        return True
    pairs = [(getattr(one, f.name), getattr(other, f.name)) for f in dataclasses.fields(Air)]
    return all(np.ndim(a) == np.ndim(b) == 0 and a == b for a, b in pairs)


def _feels_weather(case: Case) -> bool:
    way = bool(case.way.time and case.way.air)
    mash = bool(case.recipe.ingredient) and case.recipe.temperature is None
    return way or mash


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


def objections(
    recipe: Recipe, steam: Conditioning, outside: Air, material: Material | None
) -> Iterator[tuple[str, str, str]]:
    """What cannot be of the tables before the cooler: (key, found, what is allowed)."""
    if recipe.ingredient:
        total = sum(i.share for i in recipe.ingredient)
        if abs(total - 1) > ADDS_UP:
            parts = ", ".join(f"{i.name} {100 * i.share:.4g} %" for i in recipe.ingredient)
            allowed = f"shares of the mash add up to 100 % ({parts})"
            yield "recipe.ingredient", f"shares that add up to {100 * total:.4g} %", allowed
    elif steam:
        allowed = 'it needs the mash: [[recipe.ingredient]] with share and moisture (one of "100 %" will do)'
        yield "conditioning", "no recipe beside it", allowed
    if steam.temperature is None or not recipe.ingredient:
        return
    boiling, hot = float(np.min(air.saturation_temperature(outside.pressure))), steam.temperature
    mash = float(np.max(mash_temperature(recipe, outside)))
    key, found = "conditioning.temperature", f"{hot:.4g} degC"
    if hot >= boiling:
        yield key, found, f"below the boiling point of water at this pressure, {boiling:.1f} degC"
    elif hot < mash:
        yield key, found, f"steam only warms: no less than the mash, which is {mash:.4g} degC before it"
    elif material is not None:
        M = recipe_moisture(recipe)
        if np.min(steam_and_water(material, M, mash, steam)[0]) < 0:
            allowed = (
                "the water alone makes the mash hotter than this: less of it, colder, or a higher temperature"
            )
            yield key, found, allowed
