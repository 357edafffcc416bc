"""How the numbers of a material that were found together err together.

A fit knows a moister isotherm and a slower diffusion better together than each alone: their errors are correlated.
The correlation is that of the normal variables behind the numbers (a Gaussian copula): each number is a rising
function of its own normal variable (studies.propagation), so that its range and the correlation are told apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.support.errors import Fault
from coolsim.support.fields import Array, documented

LEAST = (
    1e-6  # of the eigenvalues of a correlation: below, one number would be said to follow from others exactly
)
ROUNDED = 1e-7  # by which two numbers that were written out may differ and still be the same


@dataclass(frozen=True)
class Correlation:
    """How numbers of a material err together."""

    names: tuple[str, ...] = documented("-", "numbers of the material, as in its provenance")
    matrix: tuple[tuple[float, ...], ...] = documented("-", "correlation of their errors, symmetric")


def correlation(names: Sequence[str], matrix: Any) -> Correlation:
    """A correlation, kept a hair off one that is singular: rounding could make that none at all."""
    R = np.asarray(matrix, float)
    least = float(np.linalg.eigvalsh(R)[0])
    share = max(0.0, (10 * LEAST - least) / (1 - least)) if least < 1.0 else 0.0
    R = (1 - share) * R + share * np.eye(len(R))
    return Correlation(tuple(names), tuple(tuple(float(f"{r:.8g}") for r in row) for row in R))


def among(known: Correlation | None, names: Sequence[str]) -> Array:
    """Correlation of some numbers, (names, names); what is not known to be correlated is taken as independent."""
    R = np.eye(len(names))
    at = {} if known is None else {name: k for k, name in enumerate(known.names)}
    for i, a in enumerate(names):
        for j, b in enumerate(names):
            if known is not None and i != j and a in at and b in at:
                R[i, j] = known.matrix[at[a]][at[b]]
    return R


def read_correlation(
    table: Any, ranged: Sequence[str], where: Any, faults: list[Fault]
) -> Correlation | None:
    """The [correlation] of a material file; notes every fault of it.

    ranged: numbers of the material that have a range. where(entry): the place of an entry, for messages.
    """
    table = table if isinstance(table, Mapping) else {}
    before = len(faults)
    names = _names(table.get("names"), ranged, where("names"), faults)
    rows = _rows(table.get("matrix"), names, where("matrix"), faults)
    if len(faults) > before:
        return None
    R = np.array(rows)
    for i, j in zip(*np.nonzero(np.abs(R - R.T) > ROUNDED)):
        if i < j:
            pair = f"{R[i, j]:g} for {names[i]} with {names[j]}, {R[j, i]:g} the other way round"
            faults.append(_fault(where("matrix"), pair, "both must be the same number: correct one of them"))
    if len(faults) == before and np.linalg.eigvalsh(R)[0] < LEAST:
        found = f"{', '.join(names)} correlated as no numbers can be (the matrix is not positive definite)"
        allowed = "correlations must go together: bring those nearest to 1 or -1 nearer to 0, or fit anew"
        faults.append(_fault(where("matrix"), found, allowed))
    return Correlation(tuple(names), tuple(map(tuple, rows))) if len(faults) == before else None


def _fault(where: str, found: str, allowed: str, entry: str = "matrix") -> Fault:
    return Fault(where, f"correlation.{entry}", found, allowed)


def _names(typed: Any, ranged: Sequence[str], where: str, faults: list[Fault]) -> list[str]:
    example = f"names of numbers with low and high in this file: {', '.join(ranged) or 'there are none'}"
    if not isinstance(typed, list) or len(typed) < 2 or not all(isinstance(name, str) for name in typed):
        found = "nothing" if typed is None else repr(typed)[:60]
        faults.append(_fault(where, found, f"needs two or more {example}", "names"))
        return []
    for name in dict.fromkeys(typed):
        if name not in ranged:
            faults.append(_fault(where, f'"{name[:40]}"', f"allowed are {example}", "names"))
        elif typed.count(name) > 1:
            faults.append(_fault(where, f'"{name}" twice', "name each number once", "names"))
    return typed


def _rows(typed: Any, names: Sequence[str], where: str, faults: list[Fault]) -> list[list[float]]:
    n = len(names)
    square = isinstance(typed, list) and len(typed) == n
    if not n or not square or not all(isinstance(row, list) and len(row) == n for row in typed):
        if n:
            found = "nothing" if typed is None else _shape(typed)
            faults.append(_fault(where, found, f"needs {n} rows of {n} numbers, one for each name"))
        return []
    rows = []
    for i, row in enumerate(typed):
        rows.append([_entry(r, (names[i], names[j]), where, faults) for j, r in enumerate(row)])
    return rows


def _shape(typed: Any) -> str:
    if not isinstance(typed, list):
        return repr(typed)[:60]
    sizes = {len(row) if isinstance(row, list) else 1 for row in typed}
    return f"{len(typed)} rows of {' or '.join(map(str, sorted(sizes)))}"


def _entry(r: Any, pair: tuple[str, str], where: str, faults: list[Fault]) -> float:
    number = isinstance(r, int | float) and not isinstance(r, bool) and math.isfinite(r)
    if pair[0] == pair[1]:
        if not number or abs(r - 1.0) > ROUNDED:
            faults.append(_fault(where, f"{r!r} for {pair[0]} with itself", "on the diagonal stands 1"))
    elif not number or not -1.0 < r < 1.0:
        allowed = "a correlation lies between -1 and 1 (0: they err independently of each other)"
        faults.append(_fault(where, f"{repr(r)[:40]} for {pair[0]} with {pair[1]}", allowed))
    return float(r) if number else math.nan
