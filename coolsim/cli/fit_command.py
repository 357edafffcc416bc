"""The command fit: the numbers of a line from its own trials."""

from __future__ import annotations

from typing import Annotated

import typer

from coolsim.cli import shared


@shared.command("fit scenarios/humid-delta.toml --trials scenarios/delta-trials.csv")
def fit(
    scenario: shared.ScenarioFile,
    trials: Annotated[
        str, typer.Option("--trials", metavar="FILE", help="CSV of what was set and measured.")
    ],
    free: Annotated[
        str | None,
        typer.Option(
            "--free", metavar="NAMES", help="Numbers to fit [diffusivity,isotherm_shift,specific_heat]."
        ),
    ] = None,
    no_priors: Annotated[
        bool, typer.Option("--no-priors", help="Let the trials alone decide, without published ranges.")
    ] = False,
    material: Annotated[
        str | None, typer.Option("-o", "--output", metavar="FILE", help="Also write the material, as TOML.")
    ] = None,
    json: shared.JsonFile = None,
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
) -> None:
    """Fit the numbers of SCENARIO to trials on its line.

    One row per trial. Columns are keys of the scenario with their unit, such as cooler.airflow [m3/h] or
    feed.moisture [%], and what was measured: measured.moisture [%], measured.temperature [degC],
    measured.exhaust_temperature [degC], measured.exhaust_relative_humidity [%]. A column such as
    measured.moisture ± [%] (or +-) says within what nineteen of twenty readings lie. What a row leaves out is
    the scenario's. The exhaust counts where its fan blows: behind false air, if the fan draws. Of a dryer, columns
    are its own keys (cooler.duration [min], cooler.zone.1.airflow [m3/h]), without readings of its exhaust. Of a
    line, what is set on a stage and what is measured behind it go by its number (stage.1.airflow [m3/h],
    stage.1.measured.moisture [%]).

    Several readings of measured.moisture in one cell, parted by spaces (11.6 12.1 12.9), are of pellets from
    several places at once: their mean is the trial's, and what they scatter by says how uneven the bed is.

    Names for --free: diffusivity, activation_energy, moisture_slope, isotherm_shift, specific_heat, leakage,
    airflow_factor, feed_moisture_bias; of a line stage.1.airflow_factor and stage.2.leakage, of each stage its own.

    Exit status: 0 answered, 2 the input is wrong or settles nothing, 4 not to be computed or written,
    1 a bug of ours.
    """
    from coolsim.support import files

    asked = [None if material is None else files.Output("-o", material), shared.json_file(json)]
    case = shared.case_of(scenario, overrides, asked, trials, units)
    from coolsim.output import fits as printed
    from coolsim.studies.fitting import fit as fitted
    from coolsim.studies.fitting.parameters import USUAL

    names = USUAL if free is None else tuple(name.strip() for name in free.split(",") if name.strip())
    with shared.working("fitting the trials"):
        answer = fitted(case, trials, names, priors=not no_priors)
    if material is not None:
        import datetime

        from coolsim.output.material_file import material_file

        files.write(material, material_file(case, answer, scenario, datetime.date.today()), "-o")
    shared.deliver(
        lambda: printed.fitted(case, answer, shared.page_for(units)),
        lambda: printed.document(case, answer, scenario, shared.version()),
        json,
    )
    if material is not None and json != "-":
        shared.print_sentence(
            f'wrote {material}; in a scenario beside it: feed.material = "{material.rpartition("/")[2]}"'
        )
