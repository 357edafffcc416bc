"""A case over a grid of values of its scenario's keys: any machine, all points side by side."""

from __future__ import annotations

from coolsim.studies.sweep.answer import Failure, Sweep, Swept
from coolsim.studies.sweep.door import sweep

__all__ = ["Failure", "Sweep", "Swept", "sweep"]
