"""The command `coolsim`. What it loads is loaded late: Ctrl-C is heard from the first instant on."""

from __future__ import annotations

TYPE_CHECKING = False  # as typing's own, which takes a while to load
if TYPE_CHECKING:
    from typing import Any

__all__ = ["app", "main"]


def main() -> None:
    """Run the command line in a process of its own, and leave with the exit status that --help promises."""
    from coolsim.cli import process

    process.begin()
    process.end(run())


def run() -> int:
    """Run what sys.argv says; return the exit status."""
    from coolsim.cli.commands import app

    try:
        app(prog_name="coolsim")
    except SystemExit as left:
        return left.code if isinstance(left.code, int) else 0
    return 0


def __getattr__(name: str) -> Any:
    if name != "app":
        raise AttributeError(f"module 'coolsim.cli' has no attribute {name!r}")
    from coolsim.cli.commands import app

    return app
