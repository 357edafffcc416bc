"""What a scenario must have before it can be asked how large a machine."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coolsim.case.case import Case
from coolsim.studies.prerequisites import is_typed, where
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
