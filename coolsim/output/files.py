"""Whole files or none: what is written appears at once under its name, or not at all."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from coolsim.errors import Fault, InputError


def check_writable(path: str, option: str) -> None:
    """Raise InputError now if `path` cannot be written later; `option` is how the person named it."""
    target = Path(path)
    folder = target.parent
    if target.is_dir():
        raise _fault(option, f"{path}, a folder", "name a file in it")
    if not folder.is_dir():
        raise _fault(option, f"{path}, in a folder that does not exist", f"create {folder} first")
    if not os.access(target if target.exists() else folder, os.W_OK):
        raise _fault(option, f"{path}, which may not be written", "choose another place")


def check_ending(path: str, option: str, *allowed: str) -> None:
    """Raise InputError where the name of a file says that it holds something else than what is written."""
    target = Path(path)
    if target.exists() and not target.is_file():  # a pipe or /dev/null holds nothing
        return
    if target.suffix.lower() not in allowed:
        kinds = " or ".join(allowed)
        raise _fault(option, path, f"a file that ends in {kinds}, such as {target.stem}{allowed[0]}")


def write(path: str, content: str | bytes, option: str) -> None:
    """Write `content` to `path`, text as UTF-8, whole or not at all; raises InputError where that fails."""
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        if target.exists() and not target.is_file():  # a pipe or /dev/null: nothing there to replace
            target.write_bytes(data)
            return
        _replace(target.resolve(), data)  # a link stays a link
    except OSError as error:
        raise _fault(
            option, f"{path}, which cannot be written ({error.strerror})", "choose another"
        ) from None


def _replace(target: Path, data: bytes) -> None:
    # in the same folder, since a rename across file systems is no longer one step
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with temporary.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(target)
    except BaseException:  # also on Ctrl-C: no half file stays behind
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def _fault(option: str, found: str, allowed: str) -> InputError:
    return InputError([Fault("", option, found, allowed)])
