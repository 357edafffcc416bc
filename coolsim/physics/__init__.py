"""Moist air, sorption, pellet and bed: pure functions of arrays, each with its source."""
