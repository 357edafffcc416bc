"""Machines as questions see them: what may be set, and what comes of it. None knows a question or an optimiser."""
