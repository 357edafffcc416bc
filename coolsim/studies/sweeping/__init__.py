"""A case over a grid of values of its scenario's keys: any machine, all points side by side."""

from __future__ import annotations

from coolsim.studies.sweeping.answer import Failure, Sweep, Swept
from coolsim.studies.sweeping.run import sweep

__all__ = ["Failure", "Sweep", "Swept", "sweep"]
