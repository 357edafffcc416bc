"""What can go wrong, as exceptions that teach: what was found, what is allowed, what to try."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from coolsim.support.visible import one_line, visible

MOST_SHOWN = 20  # faults in a message: whoever has more mends these first


class CoolsimError(Exception):
    """Base of every error that coolsim raises on purpose."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong with an input, in the words of the person who typed it."""

    where: str  # "file.toml:12", "--set", or ""
    key: str  # "feed.moisture"
    found: str
    allowed: str

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        return one_line(f"{place}{self.key}: found {self.found}; {self.allowed}")


class InputError(CoolsimError):
    """The input is wrong. Carries every fault found, not only the first."""

    def __init__(self, faults: list[Fault]):
        self.faults = faults
        super().__init__(
            faults
        )  # what it was made of, or it would not survive the way out of another process

    def __str__(self) -> str:
        shown = [str(fault) for fault in self.faults[:MOST_SHOWN]]
        if len(self.faults) > MOST_SHOWN:
            shown.append(f"… and {len(self.faults) - MOST_SHOWN} more: mend these first")
        return "\n".join(shown)


@contextmanager
def joined_to(faults: list[Fault]) -> Iterator[None]:
    """Let the faults of what is inside join those of others, so that all are told at once."""
    try:
        yield
    except InputError as error:
        faults += error.faults


class NotWritten(CoolsimError):
    """What was computed could not be written, as to a full disk. Carries the fault."""

    def __init__(self, fault: Fault):
        self.fault = fault
        super().__init__(fault)

    def __str__(self) -> str:
        return str(self.fault)


class NotConverged(CoolsimError):
    """The computation failed. Carries the reason and the best iterate, so nothing is silently wrong.

    Attributes: `reason` (text), `failed` (indices of the cases that failed), `best` (the best iterate).
    """

    def __init__(self, reason: str, failed: Any = (), best: Any = None):
        self.reason, self.failed, self.best = reason, failed, best
        super().__init__(reason, failed, best)

    def __str__(self) -> str:
        return visible(self.reason)
