"""Weather files → arrays in SI: EPW and CSV. What is missing or impossible is left out and counted."""

from __future__ import annotations

from coolsim.scenario.weather.loading import load_weather, read_weather
from coolsim.scenario.weather.record import Remark, Weather

__all__ = ["Remark", "Weather", "load_weather", "read_weather"]
