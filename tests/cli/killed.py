"""A program that writes on and on, killed at some moment after its first line."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


def kill(program: str, folder: Path, seconds: float) -> None:
    """Run a program in a folder, and kill it so long after it has printed its first line."""
    process: Any = subprocess.Popen(
        [sys.executable, "-c", program],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
    )
    process.stdout.readline()
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
