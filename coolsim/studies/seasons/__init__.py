"""A year of weather over one cooler: what today's settings make of it, and settings that follow it."""

from __future__ import annotations

from coolsim.studies.seasons.sites import seasons_of
from coolsim.studies.seasons.study import Seasons, Strategy, seasons

__all__ = ["Seasons", "Strategy", "seasons", "seasons_of"]
