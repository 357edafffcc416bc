"""What is answered to how sure an exit is: intervals, chances, contributors."""

from __future__ import annotations

from dataclasses import dataclass

from coolsim.support.display import Displayed
from coolsim.support.fields import documented


@dataclass(frozen=True, repr=False)
class Interval(Displayed):
    """What 95 % of the samples lie between, and their middle."""

    low: float = documented("as the value", "2.5 % of the samples lie below")
    middle: float = documented("as the value", "half of the samples lie below")
    high: float = documented("as the value", "2.5 % of the samples lie above")


@dataclass(frozen=True)
class Known:
    """Something that is not known exactly, and how far it is known."""

    name: str = documented("-", "scenario key, or number of the material; of one fit, all their names")
    low: float | None = documented("as typed", "lower end of its 95 % interval; None of several")
    high: float | None = documented("as typed", "upper end of its 95 % interval; None of several")
    unit: str = documented("-", "unit of the ends; empty for the stored one")


@dataclass(frozen=True, repr=False)
class Contributor(Displayed, Known):
    """One thing that is not known exactly, or several of one fit, and what of the spread is its own."""

    moisture_share: float = documented("-", "share of the variance of exit moisture that is its alone")
    temperature_share: float = documented("-", "share of the variance of exit temperature that is its alone")
    parts: tuple[Known, ...] = documented("-", "numbers of one fit, which err together", default=())


@dataclass(frozen=True, repr=False)
class Uncertainty(Displayed):
    """The exit, as far as it is known."""

    moisture_wb: Interval = documented("kg/kg wet", "exit moisture")
    temperature: Interval = documented("°C", "exit temperature")
    water_activity: Interval = documented("-", "once evened out in a closed bag")
    wishes: tuple[tuple[str, float], ...] = documented("-", "wishes of [target], and the probability of each")
    all_met: float | None = documented("-", "probability that all are met; None without [target]")
    contributors: tuple[Contributor, ...] = documented("-", "what is not known, most of the moisture first")
    samples: int = documented("-", "samples that were solved")
    unsolved: int = documented("-", "samples that could not be solved, and count nowhere")
    limits: tuple[tuple[str, float], ...] = documented(
        "-", "limits of the machine in [limits], and the probability that each is kept", default=()
    )
    all_kept: float | None = documented(
        "-", "probability that the target is met and all limits are kept; None without both", default=None
    )
    deviation_wb: Interval | None = documented(
        "kg/kg wet", "of a dryer: standard deviation over the bed", default=None
    )
    evaporation: Interval | None = documented("kg/s", "of a dryer: water taken out", default=None)
    heat: Interval | None = documented("J", "of a dryer: per batch, or per hour of a belt", default=None)

    @property
    def chance(self) -> float:
        """Probability that all is kept which the scenario asks for: its target, and limits where it has any."""
        return (self.all_met or 0.0) if self.all_kept is None else self.all_kept
