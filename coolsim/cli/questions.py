"""Questions about one scenario or many: predict, settings, size, seasons."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from coolsim.cli import shared

if TYPE_CHECKING:
    from coolsim.case.case import Case
    from coolsim.case.result import Result
    from coolsim.studies.propagation.answer import Uncertainty


@shared.command("predict scenarios/humid-delta.toml --set feed.moisture='15 %'")
def predict(
    scenario: shared.ScenarioFile,
    json: shared.JsonFile = None,
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
    uncertainty: Annotated[
        bool, typer.Option("--uncertainty", help="Also say how sure the exit is.")
    ] = False,
) -> None:
    """Predict how the pellets of SCENARIO leave the cooler or dryer.

    With --uncertainty, inputs may carry a ± (moisture = "14 ± 0.3 %", half of a 95 % interval) and are varied
    together with the assumed numbers of the material. Feed and material are the same in all stages of a line.

    Exit status: 0 answered, 2 the input is wrong, 4 not to be computed or written, 1 a bug of ours.
    """
    case = shared.case_of(scenario, overrides, [shared.json_file(json)], units=units)
    found = spread(case) if uncertainty else None  # first: it may refuse
    result = solved(case)
    from coolsim.output import json as as_json
    from coolsim.output import tables
    from coolsim.output import uncertainties as sure

    page, stages = shared.page_for(units), [run.name for run in result.stages]
    asked = found is not None and found.all_met is not None
    shared.deliver(
        lambda: tables.predicted(
            case,
            result,
            page,
            sure.summary(found, page, stages=stages) if found else "",
            found.chance if found and asked else None,
        ),
        lambda: (
            as_json.document(case, result, scenario, shared.version())
            | ({"uncertainty": sure.written(found)} if found else {})
        ),
        json,
    )


@shared.command("settings scenarios/monsoon-night.toml --set target.moisture='12 %'", "settings")
def find(
    scenario: shared.ScenarioFile,
    json: shared.JsonFile = None,
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
    chance: Annotated[
        str | None,
        typer.Option(
            "--chance",
            metavar="SHARE",
            help='Meet it with this chance, such as "90 %", not just as predicted.',
        ),
    ] = None,
    uncertainty: Annotated[
        bool,
        typer.Option(
            "--uncertainty",
            help="Also say how sure the exit is, and which settings meet target and limits with a chance.",
        ),
    ] = False,
    exact: Annotated[
        bool,
        typer.Option("--without-chance", help="Leave out how likely the settings keep target and limits."),
    ] = False,
) -> int:
    """Find the cheapest settings of SCENARIO that meet its target, on the steps of its dials.

    Needs [target] moisture, a range in [limits] for each thing that may be set (airflow or fan_speed,
    bed_depth or residence_time, inlet_air_temperature), and [costs]; [fan] and [duct] price the air. Of a
    batch dryer may be set: airflow, inlet_air_temperature, duration, recirculation, bed_depth or batch_mass,
    cooling_time, reverse_every; of a belt: airflow (of all zones), inlet_air_temperature (of the hottest zone),
    bed_depth or residence_time (its speed). Of a line: what the [stage.limits] of its machines open, all
    together.

    On top stands today beside what to set; below, what that gains per hour and per year, and the chance that all
    is kept. Cost is electricity, heat, and the weight given away below the target. "At their limits" names what
    holds the answer back: more range there would make it cheaper, or possible. "Driest exit" and "Wettest exit"
    are how far the settings reach in this weather. "One step" is what a degree or a minute does to the exit, the
    rest left as it is. "Out of reach" comes with the nearest settings and, under "Alone would do", the smallest
    change of each single thing that would make it possible; feed moisture is meant with a cooler's settings
    chosen anew.

    With --uncertainty, inputs may carry a ± as for predict, and beside the usual settings stand those that meet
    the target and keep the limits of the machine, all together, with a chance of 95 %, or that of --chance. With
    --chance alone, only those are told.

    Exit status: 0 answered, 3 the target is out of reach, or the chance that was asked for (the nearest state and
    what would help are answered), 2 the input is wrong, 4 not to be computed or written, 1 a bug of ours.
    """
    case = shared.case_of(scenario, overrides, [shared.json_file(json)], units=units)
    from coolsim.output import chance_constrained as with_a_chance
    from coolsim.output import settings
    from coolsim.output.settings_json import document
    from coolsim.studies.settings import chance_constrained
    from coolsim.studies.settings.advice import advise
    from coolsim.studies.settings.find import find_settings

    wanted = None if chance is None else chance_constrained.read_chance(chance)
    sure = None
    with shared.working("looking for settings"):
        if uncertainty:
            found = advise(case, find_settings(case, chance=wanted, uncertainty=True), chances=not exact)
        elif wanted is not None:
            sure = chance_constrained.with_chance(case, wanted)
            found = advise(sure.case, sure.answer, chances=not exact)
        else:
            found = advise(case, chances=not exact)
    page = shared.page_for(units)
    shared.deliver(
        lambda: settings.advised(
            case, found, page, with_a_chance.summary(case, found.answer, sure, page), sure is not None
        ),
        lambda: (
            document(case, found, scenario, shared.version())
            | with_a_chance.written(case, found.answer, sure)
        ),
        json,
    )
    asked_for = sure or (found.answer.surely if wanted else None)
    met = found.answer.met and (asked_for is None or asked_for.kept)
    return shared.ANSWERED if met else shared.OUT_OF_REACH


@shared.command("size scenarios/cooler-to-buy.toml --set sizing.margin='80 %'")
def size(
    scenario: shared.ScenarioFile,
    json: shared.JsonFile = None,
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
    exact: Annotated[
        bool,
        typer.Option("--without-chance", help="Leave out how likely each product keeps target and limits."),
    ] = False,
    wide: Annotated[
        bool, typer.Option("--wide", help="All columns of the tables, wider than the screen.")
    ] = False,
) -> int:
    """Find how large a cooler or dryer, with which fans, SCENARIO needs.

    Needs [target] moisture and [sizing]: margin for fouling and fines, reserve of throughput, ranges of bed_depth
    and air_ratio, above_least or floor_area, freeboard, all with defaults. Each [[sizing.product]] and
    [[sizing.weather]] has a name and the keys of [feed] or [air] that differ; without any, [feed] and
    [air] count. [limits] says what the machine must keep; [costs] and [duct] count where given. Of a batch
    or belt dryer, [limits] opens what may be set, [cooler] says its air per floor area, and [schedule] the
    times around a batch. Of a line one stage is sized, which [sizing] names (stage = "cooler"), with the others
    as they are.

    Under "To buy", floor, fans and heaters are for the throughput with the reserve; the settings of each product
    in each weather, below, are for the throughput itself. "What fixes it" names the product, the weather and the
    limits behind each number. The last table is the trade-off of floor and running costs: "taken" is the smallest
    floor that costs no more than above_least, or 0.25 kWh per tonne, above the best. What is known only to some ±
    makes settings less than sure, as for predict. A weather may be a percentile of the hours of [weather] file,
    by enthalpy.

    Exit status: 0 answered, 3 no size serves every product in every weather (what stands in the way is
    answered), 2 the input is wrong, 4 not to be computed or written, 1 a bug of ours.
    """
    case = shared.case_of(scenario, overrides, [shared.json_file(json)], units=units)
    from coolsim.output import json as as_json
    from coolsim.output import sizes as printed
    from coolsim.studies.sizing import find as sizing

    with shared.working("looking for a size"):
        answer = sizing.size(case, uncertainty=not exact)
    shared.deliver(
        lambda: printed.sized(case, answer, shared.page_for(units, wide)),
        lambda: as_json.size_document(case, answer, scenario, shared.version()),
        json,
    )
    return shared.ANSWERED if answer.met else shared.OUT_OF_REACH


@shared.command("seasons scenarios/monsoon-year.toml --chart chart.csv --csv hours.csv")
def seasons(
    scenarios: Annotated[
        list[str], typer.Argument(metavar="SCENARIO", help="Scenario files (TOML), one or more.")
    ],
    json: Annotated[
        str | None,
        typer.Option(
            "--json", metavar="FILE", help="Also one line of JSON per site; with - to standard output."
        ),
    ] = None,
    csv: Annotated[str | None, typer.Option("--csv", metavar="FILE", help="Also every hour as CSV.")] = None,
    chart: Annotated[
        str | None,
        typer.Option(
            "--chart", metavar="FILE", help="Also the settings chart, as CSV or (by its name) JSON."
        ),
    ] = None,
    direct: Annotated[
        bool, typer.Option("--direct", help="Predict each hour by itself, without a map of the exit.")
    ] = False,
    jobs: Annotated[int, typer.Option("--jobs", metavar="N", help="Scenarios run at once.", min=1)] = 1,
    resume: Annotated[
        str | None,
        typer.Option("--resume", metavar="DIR", help="Keep finished sites here, and take them from here."),
    ] = None,
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
    uncertainty: Annotated[
        bool, typer.Option("--uncertainty", help="Also say how sure the sums of the year are.")
    ] = False,
) -> None:
    """Run the cooler, dryer or line of SCENARIO through its year of weather, hour by hour.

    Needs [weather] file and [target] moisture. With a range in [limits] and [costs], a settings chart is made:
    what to set by temperature and humidity outside, each cell for all of its hours together: hours beyond a limit
    and hours too wet least first, then hours too warm; hours too dry cost money and come last. Strategies stand
    side by side: as it is, chart, chart with heated inlet air, chart with drier feed. With --uncertainty inputs
    may carry a ± as for predict, but those of [air]: a year takes its weather as exact.

    The file is EPW, or CSV with time (ISO 8601), temperature, one humidity and perhaps pressure, units below
    [weather.units]. What is missing, impossible or double is left out and counted, never filled in. With --resume
    DIR a rerun with the same inputs and version takes finished sites from there.

    Exit status: 0 answered, 2 the input is wrong, 4 not to be computed or written, 1 a bug of ours, 130 stopped
    (finished sites are kept).
    """
    from coolsim.output.year_runs import Files, run
    from coolsim.support.files import Output

    files = Files(json, csv, chart)
    kept = [] if resume is None else [Output("--resume", resume, folder=True)]
    cases = shared.cases_of(scenarios, overrides, [*files.outputs(), *kept], units=units)
    asked, page = list(zip(scenarios, cases)), shared.page_for(units)
    run(asked, files, page, shared.emit, direct=direct, jobs=jobs, resume=resume, uncertainty=uncertainty)


def solved(case: Case) -> Result:
    from coolsim.simulate.prediction import predict as solve

    return solve(case, band=True)


def spread(case: Case) -> Uncertainty:
    from coolsim.studies.propagation.run import uncertainty

    with shared.working("trying what is not known exactly"):
        return uncertainty(case)
