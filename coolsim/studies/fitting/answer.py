"""What a fit answers, as frozen data: values and intervals, readings before and after, what to measure next."""

from __future__ import annotations

from dataclasses import dataclass

from coolsim.case.case import Case
from coolsim.case.result import Warning
from coolsim.support.display import Displayed
from coolsim.support.fields import Array, documented


@dataclass(frozen=True, repr=False)
class Fitted(Displayed):
    """One number that was set free; intervals are of 95 %, in the unit that is named."""

    name: str = documented("-", "diffusivity, isotherm_shift, …")
    value: float = documented("its unit", "value that explains the trials best")
    low: float = documented("its unit", "lower end of its interval")
    high: float = documented("its unit", "upper end of its interval")
    unit: str = documented("-", "unit of value, low and high")
    before: float = documented("its unit", "value without the trials")
    published_low: float = documented("its unit", "lower end of the published range")
    published_high: float = documented("its unit", "upper end of the published range")
    range_of: str = documented("-", "whose range that is")
    learned: float = documented("-", "how much narrower than the published range the interval is, 0 to 1")
    of_material: bool = documented("-", "of the material, or of the line and its instruments")


@dataclass(frozen=True, repr=False)
class Reading(Displayed):
    """One reading of one trial beside what the model says before and after the fit."""

    trial: str = documented("-", "what the trial is called")
    quantity: str = documented("-", "moisture, temperature, exhaust_temperature or exhaust_relative_humidity")
    measured: float = documented("kg/kg wet, °C or -", "what was measured")
    within: float = documented("kg/kg wet, K or -", "its ±, of 95 %")
    before: float = documented("kg/kg wet, °C or -", "what the model said before the fit")
    after: float = documented("kg/kg wet, °C or -", "what it says after")
    low: float = documented("kg/kg wet, °C or -", "lower end of what it says after, of 95 %")
    high: float = documented("kg/kg wet, °C or -", "upper end of that")


@dataclass(frozen=True, repr=False)
class Suspect(Displayed):
    """A trial that does not go with the others."""

    trial: str = documented("-", "what it is called")
    odds: float = documented("-", "share of good trials that would be as far off")
    why: str = documented("-", "which reading, how far off, and what may have happened")


@dataclass(frozen=True, repr=False)
class Exit(Displayed):
    """How sure the exit of the scenario itself is, as far as the free numbers decide."""

    moisture_wb: float = documented("kg/kg wet", "exit moisture")
    within_wb: float = documented("kg/kg wet", "its ±, of 95 %")
    temperature: float = documented("°C", "exit temperature")
    within: float = documented("K", "its ±, of 95 %")


@dataclass(frozen=True, repr=False)
class Measure(Displayed):
    """Something to measure next, and how sure the exit moisture of the scenario would then be."""

    what: str = documented("-", "the trial or the instrument")
    within_wb: float = documented("kg/kg wet", "the ± of the exit moisture with it, of 95 %")


@dataclass(frozen=True, repr=False)
class Unevenness(Displayed):
    """How uneven the bed is, from trials sampled at several places; of a line that of its last machine."""

    depth_deviation: float = documented("-", "standard deviation of the depth, as a share of it")
    low: float = documented("-", "lower end of its interval, of 95 %")
    high: float = documented("-", "upper end of it")
    before: float = documented("-", "what the scenario states; 0 where it states none")
    trials: int = documented("-", "trials that were sampled so")
    places: int = documented("-", "places of all of them")


@dataclass(frozen=True, repr=False)
class FitAnswer(Displayed):
    """The answer of `fit`."""

    case: Case = documented("-", "the scenario with the fitted numbers in it")
    trials: int = documented("-", "trials that counted")
    file: str = documented("-", "where they came from")
    parameters: tuple[Fitted, ...] = documented("-", "the numbers that were set free")
    correlation: Array = documented("-", "how they err together, (free, free)")
    readings: tuple[Reading, ...] = documented("-", "every reading, before and after")
    scatter: float = documented("-", "times their ± by which readings scatter; 1 where no more than it says")
    priors: bool = documented("-", "whether published ranges counted")
    suspects: tuple[Suspect, ...] = documented("-", "trials that look wrong")
    alike: tuple[str, ...] = documented("-", "what the trials cannot tell apart, or say nothing about")
    before: Exit = documented("-", "exit of the scenario by published numbers")
    after: Exit = documented("-", "exit of the scenario by the fitted numbers")
    next: tuple[Measure, ...] = documented("-", "what to measure next, the most telling first")
    warnings: tuple[Warning, ...] = documented("-", "what to look at")
    unevenness: Unevenness | None = documented(
        "-", "where trials were sampled at several places: what their scatter says of the bed", default=None
    )
