"""What a scenario must have before it can be asked how large a dryer."""

from __future__ import annotations

import numpy as np

from coolsim.case import Belt, Case
from coolsim.errors import Fault, InputError
from coolsim.studies.asked import RANGES, where

# Ranges of [limits] that a size reads.
READ = {
    "batch": ("airflow", "bed_depth", "duration", "inlet_air_temperature", "recirculation"),
    "belt": ("airflow", "bed_depth", "inlet_air_temperature", "residence_time"),
}


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a dryer cannot be sized."""
    c, faults = case.cooler, []
    limits = case.limits.given()

    def fault(key: str, found: str, allowed: str) -> None:
        faults.append(Fault(where(case, key) or where(case, key.partition(".")[0]), key, found, allowed))

    if np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure):
        fault("air", "arrays", "a size takes its weathers from [[sizing.weather]]")
    if not case.sizing:
        fault("sizing", "no [sizing] table", 'a size needs it: such as margin = "50 %" (or no key at all)')
    if case.target.moisture is None:
        fault("target.moisture", "nothing", 'a size needs it, such as moisture = "10 %"')
    if case.costs and case.costs.electricity is None:
        fault(
            "costs.electricity", "nothing", 'a size needs it beside other prices: electricity = "0.15 /kWh"'
        )
    if c.arrangement == "batch" and not case.schedule:
        example = 'filling = "3 min" and emptying = "2 min"'
        fault("schedule", "no [schedule] table", f"a size of batch dryers needs it, such as {example}")
    for name in RANGES:
        if name in limits and name not in READ[c.arrangement]:
            kept = ", ".join(READ[c.arrangement])
            fault(f"limits.{name}", "a range", f"a size of a {c.arrangement} dryer reads ranges of {kept}")
    cold = isinstance(c, Belt) and all(zone.inlet_air_temperature is None for zone in c.zones)
    if cold and "inlet_air_temperature" in limits:
        fault(
            "limits.inlet_air_temperature", "a range", "no zone is heated: give one an inlet_air_temperature"
        )
    if limits.get("airflow", (1.0, 1.0))[0] <= 0:
        fault(
            "limits.airflow", "nothing as the lowest", "without air nothing dries: give a lowest above zero"
        )
    if faults:
        raise InputError(faults)
