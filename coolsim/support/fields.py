"""What every public data class is made of: a field that carries its unit, symbol and meaning."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import field
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Number: TypeAlias = Any  # a float, or a float64 array: one per case
Array: TypeAlias = NDArray[np.float64]


# Where results are written out in another unit than they are stored in, and what they are multiplied by then.
PRACTICAL: Mapping[str, tuple[str, float]] = {
    "m³/s": ("m³/h", 3600.0),
    "kg/s": ("kg/h", 3600.0),
    "J": ("kWh", 1 / 3.6e6),
    "W": ("kW", 1e-3),
}
# Units that follow the name of what is written out.
FOLLOW = frozenset(
    ["°C", "K", "m", "m²", "m³/h", "m/s", "kg", "kg/h", "kg/m³", "Pa", "s", "h", "kW", "kWh", "kWh/t"]
)
_LETTERS = str.maketrans({"°": "", "²": "2", "³": "3", "/": "_"})


def documented(
    unit: str, meaning: str, symbol: str = "", default: Any = ..., json: str = "", factor: float = 1.0
):
    """Return a dataclass field that carries its unit, meaning and symbol.

    A result is written out in its practical unit, which follows its name (0.333 kg/s of mass_flow →
    "mass_flow_kg_h": 1200), or under the name `json`, times `factor`.
    """
    metadata: dict[str, Any] = {"unit": unit, "meaning": meaning, "symbol": symbol, "json": json}
    metadata["factor"] = factor if json else PRACTICAL.get(unit, ("", factor))[1]
    if default is ...:
        return field(metadata=metadata)
    if isinstance(default, Mapping):
        return field(default_factory=lambda: default, metadata=metadata)
    return field(default=default, metadata=metadata)


def written_name(of: dataclasses.Field[Any]) -> str:
    """The name under which a documented field is written out."""
    stored, name = of.metadata["unit"], of.metadata["json"]
    unit = PRACTICAL.get(stored, (stored,))[0]
    return name or (f"{of.name}_{unit.translate(_LETTERS)}" if unit in FOLLOW else of.name)


def numbers(data: Any, path: str = "") -> dict[str, float]:
    """Every number of nested data classes, and of tuples of them, by its dotted path."""
    found: dict[str, float] = {}
    for f in dataclasses.fields(data):
        value, place = getattr(data, f.name), f"{path}{f.name}"
        if dataclasses.is_dataclass(value):
            found |= numbers(value, f"{place}.")
        elif isinstance(value, float):
            found[place] = value
        elif isinstance(value, tuple):
            for k, member in enumerate(value):
                if dataclasses.is_dataclass(member):
                    found |= numbers(member, f"{place}.{k}.")
    return found


def shapes(data: Any) -> Iterator[tuple[int, ...]]:
    """The shapes of the arrays in nested data classes and tuples: none where all numbers are single."""
    if isinstance(data, np.ndarray | list):
        yield np.shape(data)
    elif isinstance(data, tuple):
        for member in data:
            yield from shapes(member)
    elif dataclasses.is_dataclass(data):
        for f in dataclasses.fields(data):
            value = getattr(data, f.name)
            if not isinstance(value, float | str):
                yield from shapes(value)


def entry(data: Any, k: int, shape: tuple[int, ...]) -> Any:
    """Nested data classes and tuples with entry k, counted flat, of their arrays as broadcast to a shape."""
    if isinstance(data, np.ndarray | list):
        return float(np.broadcast_to(np.asarray(data, float), shape).reshape(-1)[k])
    if isinstance(data, tuple):
        return tuple(entry(member, k, shape) for member in data)
    if dataclasses.is_dataclass(data) and any(True for _ in shapes(data)):
        names = [f.name for f in dataclasses.fields(data)]
        return dataclasses.replace(data, **{n: entry(getattr(data, n), k, shape) for n in names})  # type: ignore[type-var]
    return data


def plain(x: Any) -> Any:
    """A number as a float, an array as it is."""
    return float(x) if np.ndim(x) == 0 else x


def with_number(data: Any, path: str, value: Any) -> Any:
    """Nested data classes with one number changed, by its dotted path."""
    name, _, rest = path.partition(".")
    if isinstance(data, tuple):
        k = int(name)
        return (*data[:k], with_number(data[k], rest, value), *data[k + 1 :])
    inner = with_number(getattr(data, name), rest, value) if rest else value
    return dataclasses.replace(data, **{name: inner})
