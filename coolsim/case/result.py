"""What is answered. Numbers are floats for one case and arrays (one entry per case) for many."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from coolsim.case.case import Case
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, Number, documented


@dataclass(frozen=True, repr=False)
class FeedIn(Displayed):
    """The feed as it enters the bed, after any flash."""

    temperature: Number = documented("°C", "pellet temperature after the flash", "Tp_in")
    moisture_wb: Number = documented("kg/kg wet", "moisture after the flash, wet basis", "M_in")
    flash_loss_wb: Number = documented("kg/kg wet", "moisture lost to the flash, wet basis")


@dataclass(frozen=True, repr=False)
class PelletsOut(Displayed):
    """The pellets that leave the bed."""

    temperature: Number = documented("°C", "mean pellet temperature", "Tp")
    moisture_wb: Number = documented("kg/kg wet", "mean moisture, wet basis", "M")
    moisture_db: Number = documented("kg/kg dry", "mean moisture, dry basis", "X̄")
    surface_moisture_db: Number = documented("kg/kg dry", "moisture at the pellet surface, dry basis", "Xs")
    water_activity: Number = documented(
        "-", "water activity of the mean moisture at the mean temperature", "a_w"
    )
    mass_flow: Number = documented(
        "kg/s", "wet pellets leaving; of batches, of the line that they take turns for"
    )


@dataclass(frozen=True, repr=False)
class AfterEqualising(Displayed):
    """The pellets after moisture and heat have evened out inside them, nothing lost (a closed bag)."""

    temperature: Number = documented("°C", "pellet temperature")
    water_activity: Number = documented("-", "water activity", "a_w")


@dataclass(frozen=True, repr=False)
class InStore(Displayed):
    """The pellets as their water activity is judged: evened out, at the temperature of the store."""

    temperature: Number = documented(
        "°C",
        "of the store: as typed, or the warmer of 25 °C (where laboratories measure) and the air outside",
    )
    water_activity: Number = documented(
        "-",
        "by which it is judged: of the wettest tenth where layers may be bagged apart, else of the mean",
        "a_w",
    )
    of_mean: Number = documented("-", "water activity of the mean moisture")
    of_wettest_tenth: Number = documented(
        "-", "water activity of the wettest tenth; of the mean where all are alike"
    )


@dataclass(frozen=True, repr=False)
class AirOut(Displayed):
    """The air that leaves the top of the bed, before any false air; of a dryer the mean while it dries."""

    temperature: Number = documented("°C", "dry bulb", "Ta")
    relative_humidity: Number = documented("-", "relative humidity", "RH")
    humidity_ratio: Number = documented("kg/kg dry air", "humidity ratio", "Y")
    wet_bulb: Number = documented("°C", "thermodynamic wet bulb")
    dew_point: Number = documented("°C", "dew point")


@dataclass(frozen=True, repr=False)
class Bed(Displayed):
    """The bed and the flows through it."""

    depth: Number = documented("m", "bed depth", "L")
    residence_time: Number = documented("s", "time a pellet spends in the bed")
    air_ratio: Number = documented(
        "kg/kg", "dry air per wet feed; of a dryer all that is blown, recirculated air counted each time"
    )
    face_velocity: Number = documented("m/s", "outside air volume per floor area")
    lift_off: Number = documented(
        "-", "highest velocity in the bed as a share of what lifts it clean, by Ergun at its void fraction"
    )
    wen_yu: Number = documented(
        "-", "the same share by Wen and Yu, who do not ask for the void fraction", json="wen_yu_lift_off"
    )
    pressure_drop: Number = documented("Pa", "pressure drop of the bed, with the fines that are stated")
    bed_weight: Number = documented("Pa", "weight of the bed per floor area")
    evaporation: Number = documented(
        "kg/s", "water given to the air; of batches, of the line that they take turns for"
    )


@dataclass(frozen=True, repr=False)
class FanRun(Displayed):
    """How the fan runs at this airflow; nan where its curve does not tell."""

    speed: Number = documented("-", "share of the fan's full speed", "n")
    flow: Number = documented("m³/s", "volume flow at the fan's inlet, false air included", "q")
    pressure: Number = documented("Pa", "pressure that bed and duct use up", "p")
    power: Number = documented("W", "electric power of the motor")
    temperature_rise: Number = documented("K", "how much it warms the air that enters the bed")
    status: Number = documented("-", "an operating_point.Status: 0 on the falling side of its curve")


@dataclass(frozen=True, repr=False)
class Accuracy(Displayed):
    """How exactly the equations were solved (not how well they describe your feed: see InputBand)."""

    water_imbalance: Number = documented("-", "water that does not balance, as a share of the water entering")
    energy_imbalance: Number = documented(
        "-", "heat that does not balance, as a share of feed enthalpy above ambient"
    )
    moisture_error_wb: Number = documented("kg/kg wet", "estimated numerical error of the exit moisture")
    temperature_error: Number = documented("K", "estimated numerical error of the exit temperature")


@dataclass(frozen=True, repr=False)
class InputBand(Displayed):
    """What the assumed material numbers leave open: lowest and highest exit over their published ranges."""

    moisture_wb: tuple[Number, Number] = documented(
        "kg/kg wet", "lowest and highest exit moisture, wet basis"
    )
    temperature: tuple[Number, Number] = documented("°C", "lowest and highest exit temperature")


@dataclass(frozen=True, repr=False)
class Profile(Displayed):
    """States from the pellet inlet (top) to the pellet outlet. Leading axis: case, if many."""

    z: Array = documented("m", "distance from the pellet inlet, shape (…, nodes)", "z")
    time: Array = documented("s", "time since the pellet entered, shape (…, nodes)", "t")
    pellet_temperature: Array = documented("°C", "mean pellet temperature, shape (…, nodes)", "Tp")
    surface_temperature: Array = documented("°C", "pellet surface temperature, shape (…, nodes)", "Ts")
    air_temperature: Array = documented("°C", "air temperature, shape (…, nodes)", "Ta")
    humidity_ratio: Array = documented("kg/kg dry air", "humidity ratio of the air, shape (…, nodes)", "Y")
    mean_moisture: Array = documented("kg/kg dry", "mean pellet moisture, shape (…, nodes)", "X̄")
    surface_moisture: Array = documented("kg/kg dry", "pellet surface moisture, shape (…, nodes)", "Xs")
    moisture: Array = documented("kg/kg dry", "moisture in each shell, shape (…, nodes, shells)", "X")
    radius: Array = documented("m", "radius of each shell's middle, shape (…, shells)", "r")


@dataclass(frozen=True, repr=False)
class Energy(Displayed):
    """What a dryer spends: per batch, or per hour of a belt."""

    heat: Number = documented("J", "heat that the heaters gave to the air")
    fan: Number = documented("J", "electricity of the fans, bed only")
    heat_per_water: Number = documented(
        "J/kg", "heat per kilogram of water that the pellets lost", json="MJ_per_kg_water", factor=1e-6
    )
    feed: Number = documented("kg", "wet feed that it is spent on")
    product: Number = documented("kg", "what this weighs once dried")


@dataclass(frozen=True, repr=False)
class Spread(Displayed):
    """How unlike the pellets of a dryer's bed are at the end."""

    driest_wb: Number = documented("kg/kg wet", "mean moisture of the driest layer, wet basis")
    wettest_wb: Number = documented("kg/kg wet", "mean moisture of the wettest layer, wet basis")
    deviation_wb: Number = documented("kg/kg wet", "standard deviation over the depth, wet basis")
    hottest: Number = documented("°C", "of the hottest layer of pellets at any time")


@dataclass(frozen=True, repr=False)
class WettestTenth(Displayed):
    """The tenth of the dry solid that leaves the wettest."""

    moisture_wb: Number = documented("kg/kg wet", "its moisture, wet basis")
    water_activity: Number = documented(
        "-", "of pellets of that moisture, evened out inside, at the temperature that all share in a bag"
    )


@dataclass(frozen=True, repr=False)
class WarmestTenth(Displayed):
    """The tenth of the dry solid that leaves the warmest."""

    temperature: Number = documented("°C", "its temperature as it leaves")


@dataclass(frozen=True, repr=False)
class BetweenPellets(Displayed):
    """How unlike pellets are that leave together, by dry solid: of the layers of a dryer's bed that is not turned,
    and of beds that are said to be uneven. Each pellet counts as evened out inside."""

    moisture_wb: Array = documented(
        "kg/kg wet", "moisture below which 10 % and 90 % of the pellets lie, wet basis, shape (…, 2)"
    )
    temperature: Array = documented(
        "°C", "temperature below which 10 % and 90 % of the pellets lie, shape (…, 2)"
    )
    deviation_wb: Array = documented("kg/kg wet", "standard deviation of their moisture")
    wettest_tenth: WettestTenth = documented("-", "the wettest tenth")
    warmest_tenth: WarmestTenth = documented("-", "the warmest tenth")


@dataclass(frozen=True, repr=False)
class History(Displayed):
    """A dryer's course from the laid bed on, at the end of each step in time and within long ones; of one case."""

    time: Array = documented("s", "time since the bed was laid, from 0, shape (times,)", "t")
    moisture_wb: Array = documented("kg/kg wet", "mean moisture of the bed, shape (times,)", "M")
    bottom_moisture_wb: Array = documented("kg/kg wet", "moisture of the lowest layer, shape (times,)")
    top_moisture_wb: Array = documented("kg/kg wet", "moisture of the highest layer, shape (times,)")
    temperature: Array = documented("°C", "mean pellet temperature, shape (times,)", "Tp")
    highest_temperature: Array = documented("°C", "of the hottest layer of pellets, shape (times,)")
    inlet_air_temperature: Array = documented("°C", "air blown in, shape (times,)")
    inlet_humidity_ratio: Array = documented("kg/kg dry air", "air blown in, shape (times,)")
    outlet_air_temperature: Array = documented("°C", "air that leaves the bed, shape (times,)")
    outlet_humidity_ratio: Array = documented("kg/kg dry air", "air that leaves the bed, shape (times,)")
    drying_rate: Array = documented(
        "kg/(kg s)",
        "water lost per dry solid, mean since the time before, shape (times,)",
        json="drying_rate_per_h",
        factor=3600.0,
    )
    zone: Array = documented("-", "zone of a belt, from 1; 0 while a batch is cooled, shape (times,)")


@dataclass(frozen=True, repr=False)
class Schedule(Displayed):
    """Whether batch dryers keep up with the line before them, batch after batch."""

    batch_mass: Number = documented("kg", "wet pellets in a batch", "m")
    cycle: Number = documented("s", "from one filling of a dryer to its next", "t")
    dryers: Number = documented("-", "dryers there are, filled in turn", "n")
    capacity: Number = documented("kg/s", "wet pellets that they can take", "n m/t")
    load: Number = documented("-", "throughput as a share of the capacity: above 1 they do not keep up")
    dryers_needed: Number = documented("-", "dryers that would keep up")
    interval: Number = documented("s", "from one filling of any dryer to the next")
    buffer_before: Number = documented(
        "kg", "wet pellets that gather before the dryers, at most; nan where ever more would"
    )
    buffer_before_volume: Number = documented("m³", "room that they take", json="buffer_before_m3")
    surplus: Number = documented("kg/s", "wet pellets that the dryers cannot take")
    buffer_after: Number = documented(
        "kg", "dried pellets that gather behind them, at most, if drawn off evenly"
    )
    buffer_after_volume: Number = documented("m³", "room that they take", json="buffer_after_m3")


@dataclass(frozen=True, repr=False)
class Layers(Displayed):
    """Moisture over the depth of a dryer's bed, from the laid bed on; of one case only."""

    time: Array = documented("s", "time since the bed was laid, from 0, shape (times,)", "t")
    height: Array = documented("m", "height above the floor of the bed, as laid, shape (layers,)", "z")
    moisture_wb: Array = documented("kg/kg wet", "mean moisture of the pellets, shape (times, layers)", "M")


@dataclass(frozen=True)
class Warning:
    """One thing to look at: `level` is danger, check or note."""

    level: str = documented("-", "danger, check or note")
    text: str = documented("-", "what was found, the threshold, and what to do")


@dataclass(frozen=True, repr=False)
class Coated(Displayed):
    """The pellets once coated, evened out."""

    moisture_wb: Number = documented("kg/kg wet", "their moisture, of all that they weigh")
    water_activity: Number = documented("-", "at the temperature at which it is judged", "a_w")
    temperature: Number = documented("°C", "pellets and coat as warm as each other")
    moisture_before_wb: Number = documented("kg/kg wet", "moisture of the pellets before coating")


@dataclass(frozen=True, repr=False)
class Bagged(Displayed):
    """The pellets in a closed bag, evened out."""

    dew_point: Number = documented("°C", "of the gas between them: on a colder film water may condense")
    coldest_film: Number = documented("°C", "how cold the film gets in the first two days")
    warmest_pellet: Number = documented("°C", "warmest at which these pellets may be bagged for that")
    temperature: Number = documented("°C", "at which they are bagged")
    water_activity_in_store: Number = documented("-", "in the store, over ice below freezing", "a_w")
    condensate: Number = documented(
        "kg", "water that the gas of a bag sets free on such a film", json="gas_water_g", factor=1e3
    )
    sweats: Any = documented("-", "whether water may condense on the film")


@dataclass(frozen=True, repr=False)
class Result(Displayed):
    """The answer to a case, or to many (then every number is an array over the cases)."""

    feed_in: FeedIn = documented("-", "feed as it enters the bed")
    pellets_out: PelletsOut = documented("-", "pellets that leave")
    after_equalising: AfterEqualising = documented("-", "pellets once evened out inside")
    in_store: InStore = documented("-", "pellets as their water activity is judged")
    air_out: AirOut = documented("-", "air that leaves the bed")
    bed: Bed = documented("-", "bed and flows")
    accuracy: Accuracy = documented("-", "how exactly the equations were solved")
    profile: Profile | None = documented(
        "-", "states through the bed; None where it was not kept: above 1000 cases only if asked for"
    )
    warnings: tuple[Warning, ...] = documented(
        "-", "for one case: what to look at; for many: empty", default=()
    )
    input_band: InputBand | None = documented(
        "-", "what assumed material numbers leave open, if asked", default=None
    )
    fan: FanRun | None = documented("-", "how the fan runs, where its curve is given", default=None)
    energy: Energy | None = documented("-", "of a dryer: what it spends", default=None)
    spread: Spread | None = documented("-", "of a dryer: how even its bed is", default=None)
    between_pellets: BetweenPellets | None = documented(
        "-", "how unlike the pellets are that leave together; None where they are all alike", default=None
    )
    history: History | None = documented("-", "of one dryer: its course", default=None)
    coated: Coated | None = documented("-", "pellets once coated, where [coating] is given", default=None)
    bag: Bagged | None = documented("-", "pellets in their bag, where [bag] is given", default=None)
    layers: Layers | None = documented("-", "of one dryer: its course, layer by layer", default=None)
    schedule: Schedule | None = documented(
        "-", "of a batch dryer with [schedule]: whether it keeps up", default=None
    )
    stages: tuple[StageRun, ...] = documented(
        "-", "of a line: its machines; the rest is that of the last, accuracy that of all", default=()
    )
    case: Case | tuple[Case, ...] | None = documented(
        "-",
        "what was asked: one case, or all in their order; None of what a study found on its way",
        default=None,
    )

    @property
    def kept_profile(self) -> Profile:
        """The profile; raises InputError where it was not kept."""
        if self.profile is None:
            found = "an answer without the states through the bed"
            raise InputError([Fault("", "profile", found, "ask for them: coolsim.predict(…, profile=True)")])
        return self.profile


@dataclass(frozen=True, repr=False)
class StageRun(Displayed):
    """One machine of a line, with what it was fed and what became of that."""

    name: str = documented("-", "name of the stage")
    stand_by: Number = documented("s", "how long the pellets stood before it")
    outer_moisture_db: Number = documented("kg/kg dry", "moisture of the outermost shell as it enters")
    inner_moisture_db: Number = documented("kg/kg dry", "moisture of the innermost shell as it enters")
    result: Result = documented("-", "its answer")
    case: Case = documented(
        "-", "the machine by itself with the mean of what it is fed; of many lines the first"
    )
