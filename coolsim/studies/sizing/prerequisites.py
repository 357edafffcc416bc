"""What a scenario must have before it can be asked how large a machine."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coolsim.case.case import Case
from coolsim.case.machine import Belt
from coolsim.simulate.requirements import is_dryer
from coolsim.studies.prerequisites import RANGES, is_typed, where
from coolsim.support.errors import Fault


def faults(case: Case) -> Iterator[Fault]:
    """What a size of any machine needs and a scenario does not have."""
    if np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure):
        yield Fault("", "air", "arrays", "a size takes its weathers from [[sizing.weather]]")
    wanted = [
        ("sizing", "", 'margin = "50 %" (or nothing: every key has a default)'),
        ("target", "moisture", 'moisture = "12 %"'),
    ]
    wanted += [("costs", "electricity", 'electricity = "0.15 /kWh"')] if case.costs else []
    for table, key, example in wanted:
        kept = getattr(case, table)
        if not kept or (key and getattr(kept, key) is None):
            found = "nothing" if is_typed(case, table) else f"no [{table}] table"
            dotted = f"{table}.{key}".rstrip(".")
            yield Fault(
                where(case, table), dotted, found, f"a size needs it: below [{table}], such as {example}"
            )


# Ranges of [limits] that a size reads.
READ = {
    "batch": ("airflow", "bed_depth", "duration", "inlet_air_temperature", "recirculation"),
    "belt": ("airflow", "bed_depth", "inlet_air_temperature", "residence_time"),
}


def faults_of(case: Case) -> Iterator[Fault]:
    """What is missing of a machine alone, or foreign to its size; a cooler's size reads all that it may have."""
    if not is_dryer(case):
        return
    c, limits = case.cooler, case.limits.given()

    def fault(key: str, found: str, allowed: str) -> Fault:
        return Fault(where(case, key) or where(case, key.partition(".")[0]), key, found, allowed)

    if c.arrangement == "batch" and not case.schedule:
        example = 'filling = "3 min" and emptying = "2 min"'
        yield fault("schedule", "no [schedule] table", f"a size of batch dryers needs it, such as {example}")
    for name in RANGES:
        if name in limits and name not in READ[c.arrangement]:
            kept = ", ".join(READ[c.arrangement])
            yield fault(
                f"limits.{name}", "a range", f"a size of a {c.arrangement} dryer reads ranges of {kept}"
            )
    cold = isinstance(c, Belt) and all(zone.inlet_air_temperature is None for zone in c.zones)
    if cold and "inlet_air_temperature" in limits:
        yield fault(
            "limits.inlet_air_temperature", "a range", "no zone is heated: give one an inlet_air_temperature"
        )
    if limits.get("airflow", (1.0, 1.0))[0] <= 0:
        yield fault(
            "limits.airflow", "nothing as the lowest", "without air nothing dries: give a lowest above zero"
        )
