"""What sensitivities answer: slopes of the exit by each input, of any machine."""

from __future__ import annotations

from dataclasses import dataclass, fields

from coolsim.case.result import Result
from coolsim.support.display import Displayed
from coolsim.support.fields import Number, documented


@dataclass(frozen=True, repr=False)
class Slopes(Displayed):
    """What one input does to what leaves the machine, each per unit of that input.

    Of a line, pellets are those that leave it; air and bed are those of the stage that is set, of other inputs
    those of the last stage.
    """

    moisture_wb: Number = documented("kg/kg wet", "exit moisture", "M")
    temperature: Number = documented("K", "exit temperature", "Tp")
    water_activity: Number = documented("-", "water activity of the pellets, once equalised", "a_w")
    exhaust_temperature: Number = documented("K", "temperature of the air that leaves the bed", "Ta")
    exhaust_humidity_ratio: Number = documented("kg/kg dry air", "humidity ratio of that air", "Y")
    exhaust_relative_humidity: Number = documented("-", "relative humidity of that air", "RH")
    pressure_drop: Number = documented("Pa", "pressure drop of the clean bed")
    lift_off: Number = documented("-", "highest velocity in the bed as a share of what lifts it")


@dataclass(frozen=True, repr=False)
class Sensitivities(Displayed):
    """Slopes of the exits by each input, the other inputs held at what the case states.

    None where it was not asked for, or is not of the machine. Of a line, what is set on a machine is in `stages`.
    """

    result: Result = documented("-", "the prediction at which the slopes are taken")
    airflow: Slopes | None = documented(
        "per m³/s", "air through the bed, as volume of outside air", "V", None
    )
    bed_depth: Slopes | None = documented("per m", "depth of the bed", "L", None)
    inlet_air_temperature: Slopes | None = documented(
        "per K", "temperature of the air that enters, the outside air as it is", "Ta_in", None
    )
    ambient_temperature: Slopes | None = documented(
        "per K",
        "outside temperature at the same relative humidity; unheated inlet air goes with it",
        "T_amb",
        None,
    )
    relative_humidity: Slopes | None = documented("per 1", "relative humidity outside", "RH", None)
    pressure: Slopes | None = documented("per Pa", "barometric pressure", "p", None)
    throughput: Slopes | None = documented("per kg/s", "wet feed; a stated air ratio is kept", default=None)
    feed_moisture: Slopes | None = documented("per kg/kg wet", "feed moisture, wet basis", "M_in", None)
    feed_temperature: Slopes | None = documented("per K", "feed temperature before any flash", "Tp_in", None)
    floor_area: Slopes | None = documented("per m²", "floor area of the bed", "A", None)
    diameter: Slopes | None = documented("per m", "pellet diameter", "d", None)
    length: Slopes | None = documented("per m", "pellet length", "l", None)
    bulk_density: Slopes | None = documented("per kg/m³", "bulk density of the wet feed", "ρ_bulk", None)
    void_fraction: Slopes | None = documented("per 1", "share of the bed that is air", "ε", None)
    specific_heat: Slopes | None = documented("per J/(kg K)", "specific heat of the dry solid", "c_d", None)
    conductivity: Slopes | None = documented("per W/(m K)", "conductivity of the pellet", "k", None)
    diffusivity: Slopes | None = documented("per m²/s", "diffusivity at its reference", "D_ref", None)
    activation_energy: Slopes | None = documented("per J/mol", "activation energy of diffusion", "Ea", None)
    moisture_slope: Slopes | None = documented("per kg dry/kg", "slope of ln D with moisture", "b", None)
    isotherm_scale: Slopes | None = documented(
        "per 1", "moisture at equal water activity, relative to the isotherm", default=None
    )
    belt_width: Slopes | None = documented("per m", "of a belt: width of the bed on it", default=None)
    duration: Slopes | None = documented("per s", "of a batch: how long hot air is blown", "t", default=None)
    cooling_time: Slopes | None = documented(
        "per s", "of a batch: how long it is cooled after that", default=None
    )
    reverse_every: Slopes | None = documented(
        "per s", "of a batch: time after which the air changes sides", default=None
    )
    recirculation: Slopes | None = documented(
        "per 1", "of a batch: share of the exhaust that is blown in again", "r", default=None
    )
    mash_moisture: Slopes | None = documented(
        "per kg/kg wet", "moisture of all ingredients of the recipe alike", default=None
    )
    conditioning_water: Slopes | None = documented(
        "per kg/kg", "water added in the conditioner, per mash", default=None
    )
    conditioning_temperature: Slopes | None = documented(
        "per K", "temperature to which steam takes the mash", default=None
    )
    stages: tuple[Sensitivities, ...] = documented(
        "-", "of a line: of each machine its result, and slopes by what is set on it", default=()
    )


OF_DRYERS = ("belt_width", "duration", "cooling_time", "reverse_every", "recirculation")
NAMES = tuple(f.name for f in fields(Sensitivities) if f.name not in ("result", "stages"))
BEFORE = ("mash_moisture", "conditioning_water", "conditioning_temperature")  # of what is before the machine
INPUTS = tuple(name for name in NAMES if name not in (*OF_DRYERS, *BEFORE))  # of a cooler
