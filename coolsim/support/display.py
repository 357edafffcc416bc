"""Answers that show themselves: some lines as their repr, in a notebook their printed tables, rows as a frame.

Printers stand far above what they print. They are looked up by name, and only when something is to be shown: so
nothing here imports upwards, and whoever only computes loads none of them.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_PRINTERS, _FRAMES = "coolsim.output.display", "coolsim.output.frames"


class Displayed:
    """What public functions return, and the parts that it is made of: data classes with `repr=False`."""

    def __repr__(self) -> str:
        try:
            return import_module(_PRINTERS).short(self)
        except Exception as error:  # of half an answer, in a debugger: it must not hide what is looked for
            return f"<{type(self).__name__}, which cannot be shown: {type(error).__name__}: {error}>"

    def _repr_html_(self) -> str:
        """What a notebook shows: the printed tables."""
        return import_module(_PRINTERS).html(self)

    def summary(self, units: str = "si", width: int = 80) -> str:
        """All that the command prints of it, as text in "si" or "us" units."""
        return import_module(_PRINTERS).text(self, units, width)

    def to_frame(self, table: str = "") -> Any:
        """Its numbers as a pandas DataFrame, in SI and °C; what each column is in stands in `frame.attrs["units"]`.

        table: which of its tables, where it has several; the first if left out. A name that it has none of is
        answered with those that there are. Needs pandas: pip install 'coolsim[notebooks]'.
        """
        return import_module(_FRAMES).frame(self, table)
