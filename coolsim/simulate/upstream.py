"""What the cooler is fed, from what is before it: recipe, conditioning, die, and the way from die to cooler.

All steps keep one datum. `feed_following` says how the feed of a case follows when anything before it changes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np

from coolsim.case.line_parts import (
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
from coolsim.case.streams import Air
from coolsim.case.tables import Limits
from coolsim.model import way as travel
from coolsim.physics import air, conditioning, pellet
from coolsim.physics.materials import Material
from coolsim.support.dual_units import temperature
from coolsim.support.fields import Array, Number, plain

WATER_OF_STEAM = 20.0  # °C of the water that steam is made of, so that its heat has a price; assumed
WEATHERS = 0.05  # of the pressure of the air: what weather moves it by
ADDS_UP = 0.005  # how far shares of a recipe may be from a whole
BEFORE = {"recipe": Recipe, "conditioning": Conditioning, "die": Die, "way": Way}  # tables, by name
MASH, CONDITIONED, DIE, FLASHED, COOLER = "mash", "conditioned", "die", "after the flash", "cooler"
Pair = tuple[Any, Any]  # moisture [kg/kg wet] and temperature [°C], either of them None where it is not said


@dataclasses.dataclass(frozen=True)
class Shape:
    """Numbers of the feed that count on its way."""

    diameter: Any
    length: Any
    bulk_density: Any
    void_fraction: Any


@dataclasses.dataclass(frozen=True)
class Origin:
    """What the feed at the cooler follows from; of single cases, or with arrays of several."""

    material: Material
    shape: Shape
    air: Air  # outside
    recipe: Recipe
    conditioning: Conditioning
    die: Die
    way: Way


def arrives(
    origin: Origin, mash: Pair | None, sampled: Pair = (None, None), off: Pair = (0.0, 0.0)
) -> tuple[FeedState, ...]:
    """The feed from the mash to the cooler (scalars or arrays).

    mash: its moisture and temperature, where there is a recipe (`mash_of`); sampled: typed as of the die, in place
    of what is computed there; off: how far off that it is found to be.
    """
    found, M, T = _to_the_way(origin, mash, sampled, off)
    if origin.way.time is not None and origin.way.air is not None:
        equation, numbers = _numbers_of_way(origin, M, T)
        shape_of = np.broadcast_shapes(*(np.shape(x) for x in numbers))
        columns = [np.broadcast_to(np.asarray(x, float), shape_of).ravel() for x in numbers]
        if np.any(origin.way.time * origin.way.air):
            M, T = (x.reshape(shape_of)[()] for x in _after_the_way(equation, *columns))
    return (*found, FeedState(COOLER, plain(M), plain(T)))


def _to_the_way(
    origin: Origin, mash: Pair | None, sampled: Pair, off: Pair
) -> tuple[list[FeedState], Any, Any]:
    """The feed from the mash to behind the die, and as it goes on its way, if there is one: flashed."""
    found: list[FeedState] = []
    material, die, way = origin.material, origin.die, origin.way
    M: Any = None
    T: Any = None

    def at(place: str) -> None:
        found.append(FeedState(place, plain(M), plain(T)))

    if mash is not None:
        M, T = mash
        at(MASH)
        if origin.conditioning:
            M, T = conditioned(material, M, T, origin.conditioning)
            at(CONDITIONED)
        if die.specific_energy is not None:
            heat = die.specific_energy * _given(die.heat_to_feed, HEAT_TO_FEED)
            if np.any(heat):
                T = conditioning.warmed(material.isotherm, material.specific_heat, M / (1 - M), T, heat)
        M, T = M + off[0], T + off[1]
    M, T = _given(sampled[0], M), _given(sampled[1], T)
    at(DIE)
    if np.any(_given(way.time, 0.0) * _given(way.air, 0.0)):
        X, flashed = pellet.flash(
            material.isotherm, material.specific_heat, M / (1 - M), T, origin.air.pressure
        )
        if np.any(flashed != T):
            M, T = X / (1 + X), flashed
            at(FLASHED)
    return found, M, T


def mash_of(recipe: Recipe, outside: Air) -> Pair | None:
    """Moisture and temperature of the mash; None without a recipe."""
    return (recipe_moisture(recipe), mash_temperature(recipe, outside)) if recipe.ingredient else None


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


def steam_heat(steam: Conditioning) -> Number:
    """Heat [J] of a kg of the steam, above the water that it is made of."""
    return steam_enthalpy(steam) - air.HEAT_CAPACITY_WATER * WATER_OF_STEAM


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


def _numbers_of_way(origin: Origin, M: Number, T: Number) -> tuple[str, tuple[Any, ...]]:
    """The form of the isotherm, and the numbers that `_after_the_way` takes."""
    law, isotherm = origin.material.diffusivity, origin.material.isotherm
    shape, outside, way = origin.shape, origin.air, origin.way
    of_solid = shape.bulk_density * (1 - M) / (1 - shape.void_fraction)
    radius = pellet.equivalent_sphere_radius(shape.diameter, shape.length)
    return isotherm.equation, (
        *(M, T, way.time, way.air, outside.temperature, outside.relative_humidity, outside.pressure),
        *(radius, of_solid, origin.material.specific_heat, origin.material.conductivity),
        *(getattr(law, f.name) for f in dataclasses.fields(law)),
        *(isotherm.fat, isotherm.scale, *isotherm.constants),
    )


# Ways that were travelled, by the form of the isotherm and the numbers of `_numbers_of_way`: stages of a line,
# steps of a dial and studies of other things ask for the same ones again.
_KNOWN: dict[tuple[str, bytes], tuple[float, float]] = {}
MOST_KNOWN = 4096


def _after_the_way(equation: str, *columns: Any) -> tuple[Any, Any]:
    """Moisture [kg/kg wet] and temperature behind the way, each number an array (cases,)."""
    each, of = np.unique(np.array(columns, float), axis=1, return_inverse=True)
    keys = [(equation, column.tobytes()) for column in each.T]
    new = [k for k, key in enumerate(keys) if key not in _KNOWN]
    found = {key: _KNOWN[key] for key in keys if key in _KNOWN}
    if new:
        found |= {keys[k]: end for k, end in zip(new, zip(*_travelled(equation, *each[:, new])))}
        if len(_KNOWN) + len(new) > MOST_KNOWN:
            _KNOWN.clear()
        _KNOWN.update(found)
    M, T = np.array([found[key] for key in keys]).T
    return M[of.ravel()], T[of.ravel()]


def _travelled(equation: str, *columns: Array) -> tuple[Array, Array]:
    M, T, seconds, per_pellets, T_air, RH, p, radius, of_solid, c_d, k, *rest = columns
    law, (fat, scale, *constants) = pellet.Diffusivity(*rest[:5]), rest[5:]
    isotherm = pellet.Isotherm(equation, tuple(constants), fat, scale)
    sphere = travel.Sphere(radius, of_solid, c_d, k, law, isotherm)
    X, Y = M / (1 - M), air.humidity_ratio_from_relative_humidity(T_air, RH, p)
    X, T = travel.after_way(sphere, X, T, seconds, per_pellets * (1 + X), T_air, Y, p)
    return X / (1 + X), T


def _given(value: Any, otherwise: Any) -> Any:
    return otherwise if value is None else value


def objections(
    recipe: Recipe, steam: Conditioning, outside: Air, material: Material | None, limits: Limits
) -> Iterator[tuple[str, str, str]]:
    """What cannot be of the tables before the cooler: (key, found, what is allowed)."""
    yield from range_objections(recipe, steam, outside, material, limits)
    if recipe.ingredient:
        total = sum(i.share for i in recipe.ingredient)
        if abs(total - 1) > ADDS_UP:
            parts = ", ".join(f"{i.name} {100 * i.share:.4g} %" for i in recipe.ingredient)
            allowed = f"shares of the mash add up to 100 % ({parts})"
            yield "recipe.ingredient", f"shares that add up to {100 * total:.4g} %", allowed
    elif steam:
        allowed = 'it needs the mash: [[recipe.ingredient]] with share and moisture (one of "100 %" will do)'
        yield "conditioning", "no recipe beside it", allowed
    least = float(np.min(outside.pressure))
    if steam.steam_pressure is not None and steam.steam_pressure < (1 - WEATHERS) * least:
        allowed = (
            f"absolute, so no less than the air's {least / 1e3:.0f} kPa: what a gauge reads is that much less"
        )
        yield "conditioning.steam_pressure", f"{steam.steam_pressure / 1e3:.4g} kPa", allowed
    if steam.temperature is None or not recipe.ingredient:
        return
    boiling, hot = float(np.min(air.saturation_temperature(outside.pressure))), steam.temperature
    mash = float(np.max(mash_temperature(recipe, outside)))
    key, found = "conditioning.temperature", temperature(hot, 2)
    if hot >= boiling:
        yield key, found, f"below the boiling point of water at this pressure, {temperature(boiling, 2)}"
    elif hot < mash:
        yield (
            key,
            found,
            f"steam only warms: no less than the mash, which is {temperature(mash, 2)} before it",
        )
    elif material is not None:
        M = recipe_moisture(recipe)
        if np.min(steam_and_water(material, M, mash, steam)[0]) < 0:
            allowed = (
                "the water alone makes the mash hotter than this: less of it, colder, or a higher temperature"
            )
            yield key, found, allowed


def range_objections(
    recipe: Recipe, steam: Conditioning, outside: Air, material: Material | None, limits: Limits
) -> Iterator[tuple[str, str, str]]:
    """What cannot be of ranges of the conditioner: as `objections`."""
    water, hot = limits.conditioning_water, limits.conditioning_temperature
    for name, range_ in (("conditioning_water", water), ("conditioning_temperature", hot)):
        if range_ is not None and not (steam and recipe.ingredient):
            example = 'water = "2 %"' if name == "conditioning_water" else 'temperature = "75 degC"'
            allowed = f"it needs [conditioning] and a recipe beside it: what is done today, such as {example}"
            yield f"limits.{name}", "a range, and nothing that it is of", allowed
    if hot is None or not steam or not recipe.ingredient:
        return
    key, (low, high) = "limits.conditioning_temperature", hot
    boiling = float(np.min(air.saturation_temperature(outside.pressure)))
    mash = float(np.max(mash_temperature(recipe, outside)))
    if steam.temperature is None:
        allowed = "conditioning.temperature beside it: what steam takes the mash to today, or leave it out"
        yield key, "a range, and no steam", allowed
    if high >= boiling:
        allowed = f"below the boiling point of water at this pressure, {temperature(boiling, 2)}"
        yield key, f"{temperature(high, 2)} as the highest", allowed
    if low < mash:
        allowed = f"steam only warms: no less than the mash, which is {temperature(mash, 2)} before it"
        yield key, f"{temperature(low, 2)} as the lowest", allowed
    elif material is not None and low <= high:
        most = (steam.water or 0.0) if water is None else water[1]
        wettest = dataclasses.replace(steam, temperature=low, water=most)
        if np.min(steam_and_water(material, recipe_moisture(recipe), mash, wettest)[0]) < 0:
            allowed = "the most water alone makes the mash hotter: less of it, colder, or a higher lowest"
            yield key, f"{temperature(low, 2)} as the lowest", allowed
