"""The line around the cooler, as it is asked about: what comes before it, after it, and the machines in order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from coolsim.case.table import Given, Table
from coolsim.physics.air import STANDARD_PRESSURE
from coolsim.physics.coating import Coat
from coolsim.support.fields import documented

# Where a key was left out. Judgement, but for atmospheric steam.
STEAM_PRESSURE, STEAM_QUALITY = STANDARD_PRESSURE, 1.0
WATER_TEMPERATURE, OIL_TEMPERATURE, POWDER_TEMPERATURE = 20.0, 40.0, 20.0  # °C
SHIFT_HOURS, SHIFT_DAYS = 8 * 3600.0, 250.0  # of a shift [s], and of a year
HEAT_TO_FEED = 0.3  # of a die's energy: 15 kWh/t then warms by 8 K (FAO ADCP/REP/80/11 sees 2–12 K, seen)


def working(seconds: float, breaks: tuple[tuple[float, float], ...]) -> float:
    """Time [s] of a shift in which it runs: without its breaks, each of a beginning and a length."""
    return seconds - sum(min(begin + length, seconds) - begin for begin, length in breaks if begin < seconds)


@dataclass(frozen=True)
class Shift(Table):
    """How long the line runs."""

    hours: Given = documented("s", "of a shift", default=None)
    per_day: Given = documented("-", "shifts a day", default=None)
    days_per_year: Given = documented("-", "days on which it runs", default=None)
    breaks: tuple[tuple[float, float], ...] = documented(
        "s, s",
        "when each break begins, since the shift did, and how long it lasts: nobody is there",
        default=(),
    )
    dryers_stop: bool | None = documented(
        "-", "whether batch dryers stop in breaks, too; else the batch in them goes on drying", default=None
    )

    @property
    def seconds(self) -> float:
        """How long a shift is [s]; 8 h are assumed."""
        return self.hours or SHIFT_HOURS

    @property
    def shifts_per_year(self) -> float:
        """Shifts a year; one on 250 days are assumed."""
        return (self.per_day or 1.0) * (self.days_per_year or SHIFT_DAYS)

    @property
    def late(self) -> bool:
        """Whether a break begins once the shift is over."""
        return any(begin >= self.seconds for begin, _ in self.breaks)

    @property
    def assumed(self) -> bool:
        """Whether hours or days are."""
        return self.hours is None or self.days_per_year is None


@dataclass(frozen=True)
class Ingredient:
    """One ingredient of a recipe."""

    name: str = documented("-", "how the answer calls it")
    share: float = documented("-", "of the mass of the mash")
    moisture: float = documented("kg/kg wet", "its moisture")
    price: Given = documented("1/kg", "its price", default=None)


@dataclass(frozen=True)
class Recipe(Table):
    """The mash as it is mixed."""

    temperature: Given = documented("°C", "of the mash; that of the air outside if left out", default=None)
    ingredient: tuple[Ingredient, ...] = documented("-", "what it is mixed from", default=())


@dataclass(frozen=True)
class Conditioning(Table):
    """Steam and water into the mash."""

    temperature: Given = documented(
        "°C", "to which steam takes the mash; None: no steam, water alone", default=None
    )
    steam_pressure: Given = documented("Pa", "of the steam, absolute", default=None)
    steam_quality: Given = documented("-", "share of the steam that is vapour", default=None)
    water: Given = documented("kg/kg", "water added, per mash", default=None)
    water_temperature: Given = documented("°C", "of that water", default=None)


@dataclass(frozen=True)
class Die(Table):
    """The press or extruder: what of its work stays in the feed as heat."""

    specific_energy: Given = documented("J/kg", "energy per feed through the die", default=None)
    heat_to_feed: Given = documented("-", "share of it that stays in the feed", default=None)


@dataclass(frozen=True)
class Way(Table):
    """From the die to the cooler."""

    time: Given = documented("s", "how long it takes", default=None)
    air: Given = documented("kg/kg", "outside air that the pellets meet, per mass of pellets", default=None)


@dataclass(frozen=True)
class Coating(Table):
    """What is put on the pellets that leave; with it [target] is of the coated pellets."""

    oil: Given = documented("kg/kg", "oil, per mass of pellets before coating", default=None)
    water: Given = documented("kg/kg", "water, likewise", default=None)
    powder: Given = documented("kg/kg", "powder, likewise", default=None)
    oil_temperature: Given = documented("°C", "of the oil", default=None)
    water_temperature: Given = documented("°C", "of the water", default=None)
    powder_temperature: Given = documented("°C", "of the powder", default=None)
    maximum_temperature: Given = documented(
        "°C", "of pellets on which heat-sensitive additives go, before and after", default=None
    )

    @property
    def coat(self) -> Coat:
        """The same as numbers, what was left out being nothing at a usual temperature."""
        return Coat(
            self.oil or 0.0,
            self.water or 0.0,
            self.powder or 0.0,
            _or(self.oil_temperature, OIL_TEMPERATURE),
            _or(self.water_temperature, WATER_TEMPERATURE),
            _or(self.powder_temperature, POWDER_TEMPERATURE),
        )


@dataclass(frozen=True)
class Bag(Table):
    """How the pellets are bagged and stored."""

    mass: Given = documented("kg", "in a bag", default=None)
    coldest_store: Given = documented(
        "°C", "coldest that the film gets in the first two days; the air outside if left out", default=None
    )
    store_temperature: Given = documented(
        "°C", "of the store after that; where water activity is judged if left out", default=None
    )
    coat: Any = documented(
        "-", "what is on its pellets, where [coating] has been reckoned into the target", default=None
    )


@dataclass(frozen=True)
class Equipment:
    """A step of the line; which of its numbers are given says how it works."""

    name: str = documented("-", "how the answer calls it")
    capacity: Given = documented("kg/s", "what it takes, all the time", default=None)
    batch: Given = documented("kg", "what it takes at once", default=None)
    cycle: Given = documented("s", "from one batch to the next", default=None)
    catch: Any = documented("kg, s", "a timed catch: what ran out, wet, in what time", default=None)
    power: Given = documented("W", "electric, while it runs", default=None)
    loss: Given = documented("-", "share of what enters that is lost, as dust", default=None)
    machine: str | None = documented(
        "-", "cooler, or the name of a stage: where the computed machine stands", default=None
    )


@dataclass(frozen=True)
class FeedState:
    """The feed at one place before the cooler."""

    place: str = documented("-", "mash, conditioned, die, after the flash, cooler")
    moisture: Any = documented("kg/kg wet", "its moisture", json="moisture_wb")
    temperature: Any = documented("°C", "its temperature")


@dataclass(frozen=True)
class Arrival:
    """How the feed at the cooler follows from the tables before it."""

    states: tuple[FeedState, ...] = documented("-", "the feed from place to place, as computed")
    moisture_offset: Any = documented("kg/kg wet", "typed less computed, at the cooler", default=0.0)
    temperature_offset: Any = documented("K", "typed less computed, at the cooler", default=0.0)
    typed_moisture: Given = documented("kg/kg wet", "typed as sampled at the die", default=None)
    typed_temperature: Given = documented("°C", "typed as sampled at the die", default=None)
    die_moisture_offset: Any = documented(
        "kg/kg wet", "typed less computed at the die, where a recipe is", default=0.0
    )
    die_temperature_offset: Any = documented("K", "typed less computed at the die, likewise", default=0.0)
    typed: tuple[str, ...] = documented("-", "what was typed of the feed at the cooler", default=())
    of: Any = documented("-", "what it was computed of: it holds as long as that stays", default=None)
    keeps_solid: bool = documented(
        "-", "whether dry solid is kept, not the wet throughput, when it next moves", default=False
    )


def _or(value: Any, otherwise: float) -> Any:
    return otherwise if value is None else value
