"""What of a dryer's scenario a size cannot read, beside what a size of any machine needs."""

from __future__ import annotations

from collections.abc import Iterator

from coolsim.case.case import Belt, Case
from coolsim.studies.prerequisites import RANGES, where
from coolsim.support.errors import Fault

# Ranges of [limits] that a size reads.
READ = {
    "batch": ("airflow", "bed_depth", "duration", "inlet_air_temperature", "recirculation"),
    "belt": ("airflow", "bed_depth", "inlet_air_temperature", "residence_time"),
}


def faults(case: Case) -> Iterator[Fault]:
    """What is missing of a dryer, or foreign to its size."""
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
