"""Files: what is asked to be written is held against what is read, and appears whole under its name or not at all.

A file is written under a hidden name beside its own and renamed. That name is random, since process numbers say
nothing where two containers share a folder; it is locked while it lives, so that the next run may sweep the rest.

Of a file with several names (hard links) each is renamed so, in turn: a write in place would reach all of them,
but kill -9 or a power cut would leave half a file under every one. The price: a run that is killed between two
renames parts the names, each with a whole content; and names in another folder cannot be found, so such a file is
refused, before anything is computed.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import shutil
import stat
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from coolsim.support.errors import Fault, InputError, NotWritten

try:
    import fcntl
except ImportError:  # on Windows, where an open file cannot be removed anyway
    fcntl = None  # type: ignore[assignment]

STANDARD_OUTPUT = "-"
ELSEWHERE = "which has another name in another folder (a hard link), so that not all can be replaced"
_HIDDEN = re.compile(r"\.coolsim-[0-9a-f]{16}\.part")
_OURS = re.compile(r"/dev/std(?P<name>in|out|err)|/(dev|proc/self)/fd/(?P<number>\d{1,6})")


@dataclass(frozen=True)
class Output:
    """A file, or a folder of files, that is asked for: how the person named it, and on what its name may end."""

    option: str
    path: str
    endings: tuple[str, ...] = ()
    folder: bool = False


# -- before anything is computed


def faults_of(asked: Sequence[Output | None], inputs: Iterable[tuple[str, str]] = ()) -> list[Fault]:
    """Say which outputs cannot be written, and which would destroy another or an input (what it is, its path).

    asked: None where an output was not asked for.
    """
    outputs = [output for output in asked if output is not None]
    faults = [fault for output in outputs for fault in _faults_of(output)]
    taken = [(what, path) for what, path in inputs if _is_kept(path)]
    for output in outputs:
        if not _is_kept(output.path):
            continue
        for what, path in taken:
            if _same(output.path, path):
                faults.append(
                    Fault("", output.option, f"{output.path}, which is {what}", "name another file")
                )
                break
        taken.append((f"also the file of {output.option}", output.path))
    return faults


def check(asked: Sequence[Output | None], inputs: Iterable[tuple[str, str]] = ()) -> None:
    """Raise InputError with the faults of outputs."""
    faults = faults_of(asked, inputs)
    if faults:
        raise InputError(faults)


def _faults_of(output: Output) -> Iterator[Fault]:
    path, endings = output.path, output.endings
    if path == STANDARD_OUTPUT:
        yield Fault("", output.option, "-, standard output", "give it a name; only --json may have -")
        return
    if endings and _is_kept(path) and Path(path).suffix.lower() not in endings:
        kinds, example = " or ".join(endings), Path(path).stem + endings[0]
        yield Fault("", output.option, path, f"a file that ends in {kinds}, such as {example}")
    try:
        trouble = _trouble_of_folder(path) if output.folder else _trouble(path)
    except (OSError, RuntimeError, ValueError) as error:  # a loop of links, a name with a NUL
        trouble = f"which cannot be written ({_reason(error)})", "choose another place"
    if trouble is not None:
        yield Fault("", output.option, f"{path}, {trouble[0]}", trouble[1])


def _trouble(path: str) -> tuple[str, str] | None:
    """Say what keeps a file from being written, and what would help: by trying, short of the file itself."""
    if _OURS.fullmatch(path):
        os.fstat(_stream(path))
        return None
    target = Path(os.path.realpath(path))
    _sweep(target.parent)  # first: what was killed may have left a second name of the file
    there = _stat(target)
    if path.endswith(os.sep) or (there is not None and stat.S_ISDIR(there.st_mode)):
        return "a folder", "name a file in it"
    if there is None and _stat(target.parent) is None:
        return "in a folder that does not exist", f"create {Path(path).parent} first"
    if there is not None and not os.access(target, os.W_OK):
        return "which may not be written", "choose another place"
    if _is_stream(path, there):
        return None
    if there is not None and _others(target, there) is None:
        return ELSEWHERE, "name another file, or remove this one first"
    with _hidden(target.parent):
        return None


def _trouble_of_folder(path: str) -> tuple[str, str] | None:
    """The same of a folder in which files are kept, and which may yet have to be made."""
    folder = Path(path)
    if folder.is_symlink() and not folder.exists():
        return "a link that leads nowhere", "name a folder, one that is there or may be made"
    if folder.exists() and not folder.is_dir():
        return "which is no folder", "name a folder, one that is there or may be made"
    while _stat(folder) is None and folder != folder.parent:
        folder = folder.parent
    _sweep(folder)
    with _hidden(folder):
        return None


def _stat(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)


def _is_kept(path: str) -> bool:
    """Whether a file of that name holds what is written: no terminal, pipe or /dev/null."""
    try:
        return path != STANDARD_OUTPUT and not _is_stream(path, _stat(Path(path)))
    except (OSError, ValueError):
        return False


def _is_stream(path: str, there: os.stat_result | None) -> bool:
    return _OURS.fullmatch(path) is not None or (there is not None and not stat.S_ISREG(there.st_mode))


def _same(one: str, other: str) -> bool:
    """Whether two names are of one file, there or to come: links are followed."""
    with contextlib.suppress(OSError, ValueError):
        return Path(one).samefile(other)
    return os.path.normcase(os.path.realpath(one)) == os.path.normcase(os.path.realpath(other))


# -- one file, whole


def encoded(content: str | bytes) -> bytes:
    """Return text as UTF-8; bytes of a file name that are none become escapes, as in JSON."""
    return content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content


def write(path: str | os.PathLike[str], content: str | bytes, option: str) -> None:
    """Write `content` to `path`, whole or not at all; raises NotWritten where that fails, said of `option`."""
    name, data = os.fspath(path), encoded(content)
    with _told(name, option):
        target = Path(os.path.realpath(name))  # a link stays a link
        there = _stat(target)
        if _is_stream(name, there):
            _put(name, data)
        else:
            _replace(target, data, there, _names_beside(target, there))


def keep(path: Path, content: bytes, option: str) -> None:
    """Write a file of our own folder, which is made if need be: as `write`, but a link of that name is replaced.

    No person gave it that name, so one that leads out of the folder was put there to have us write elsewhere.
    """
    with _told(str(path), option):
        path.parent.mkdir(parents=True, exist_ok=True)
        _replace(path, content, None, [])


def _replace(target: Path, data: bytes, there: os.stat_result | None, others: list[Path]) -> None:
    with _hidden(target.parent, there) as (file, hidden):
        _fill(file, data)
        os.fsync(file.fileno())
        for other in others:
            _rename_a_copy(hidden, other)
        if os.name == "nt":
            file.close()  # or it cannot be renamed there
        hidden.replace(target)


@contextmanager
def _told(name: str, option: str) -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:  # whoever read from that pipe has seen enough
        return
    except OSError as error:
        found = f"{name}, which cannot be written ({_reason(error)})"
        raise NotWritten(Fault("", option, found, "choose another place")) from None


@contextmanager
def _hidden(folder: Path, like: os.stat_result | None = None) -> Iterator[tuple[BinaryIO, Path]]:
    """A file that nobody else has, with the mode and owner of one that it stands for; gone in the end."""
    descriptor, path = _locked(folder, 0o666 if like is None else 0o600)
    try:
        with os.fdopen(descriptor, "wb", buffering=0) as file:
            if like is not None and hasattr(os, "fchown"):
                with contextlib.suppress(OSError):  # only root gives files away
                    os.fchown(descriptor, like.st_uid, like.st_gid)
                os.fchmod(descriptor, stat.S_IMODE(like.st_mode))
            yield file, path
    finally:  # also on Ctrl-C; a file that was renamed is not there any more
        with contextlib.suppress(OSError):
            path.unlink()


def _locked(folder: Path, mode: int) -> tuple[int, Path]:
    """Make a file that no sweep of another run removes while it is open."""
    while True:
        path = folder / f".coolsim-{secrets.token_hex(8)}.part"
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        descriptor = os.open(path, flags, mode)
        if fcntl is None:
            return descriptor, path
        with contextlib.suppress(
            OSError
        ):  # a file system without locks: nobody gets one for removing it either
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        if os.fstat(descriptor).st_nlink:
            return descriptor, path
        os.close(descriptor)  # it was swept before it was locked


def _fill(file: BinaryIO, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[file.write(rest) :]


def _others(target: Path, there: os.stat_result) -> list[Path] | None:
    """Other names of a file, in its folder; None if there are some elsewhere."""
    if there.st_nlink == 1:
        return []
    with os.scandir(target.parent) as entries:
        names = [entry.name for entry in entries if _is_of(entry, there)]
    if len(names) < there.st_nlink:
        return None
    return [target.with_name(name) for name in names if name != target.name and not _HIDDEN.fullmatch(name)]


def _is_of(entry: os.DirEntry[str], there: os.stat_result) -> bool:
    with contextlib.suppress(FileNotFoundError):  # a hidden file of somebody else, gone meanwhile
        return os.path.samestat(entry.stat(follow_symlinks=False), there)
    return False


def _names_beside(target: Path, there: os.stat_result | None) -> list[Path]:
    """As `_others`, where a file is about to be written: names elsewhere came after it was checked."""
    others = [] if there is None else _others(target, there)
    if others is None:
        raise OSError(errno.EMLINK, ELSEWHERE)
    return others


def _sweep(folder: Path) -> None:
    """Remove what killed runs have left in a folder: hidden files that nobody holds a lock on."""
    if fcntl is None:
        return
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if _HIDDEN.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                with contextlib.suppress(OSError):
                    _remove_unless_locked(entry.path)


def _remove_unless_locked(path: str) -> None:
    descriptor = os.open(path, os.O_RDWR | os.O_NOFOLLOW)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        Path(path).unlink()
    finally:
        os.close(descriptor)


def _stream(name: str) -> int:
    """Return the descriptor that a name of `_OURS` is of."""
    ours = _OURS.fullmatch(name)
    assert ours is not None
    return int(ours["number"] or ("in", "out", "err").index(ours["name"]))


def _put(name: str, data: bytes) -> None:
    """Write to what holds nothing, such as a pipe, or to a stream of ours, where that stands."""
    place = os.dup(_stream(name)) if _OURS.fullmatch(name) else name
    with open(place, "wb", buffering=0) as file:  # noqa: PTH123
        _fill(file, data)


def _append(target: Path, data: bytes, keep: int) -> None:
    """Replace what stands behind the first `keep` bytes, where an open file cannot give its name away (Windows)."""
    with target.open("r+b" if target.exists() else "w+b", buffering=0) as file:
        file.seek(keep)
        _fill(file, data)
        file.truncate()
        os.fsync(file.fileno())


# -- a file that grows


@dataclass
class Growing:
    """A file that grows by whole pieces, as the sites of a study finish: after each it holds all so far, at once.

    Two hidden files take turns. The one that is not shown is given the pieces it lacks, then the name: nothing is
    written more than twice, and no reader sees half a piece. What holds nothing is appended to.
    """

    path: str
    option: str
    _turns: list[tuple[BinaryIO, Path, list[bytes]]] = field(default_factory=list)  # with what each lacks
    _names: list[Path] = field(default_factory=list)
    _size: int = 0
    _open: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)

    def add(self, piece: str | bytes) -> None:
        """Append a piece, whole or not at all; the first replaces what was there. Raises NotWritten."""
        data = encoded(piece)
        with _told(self.path, self.option):
            target = Path(os.path.realpath(self.path))
            there = _stat(target)
            if _is_stream(self.path, there):
                _put(self.path, data)
                return
            if fcntl is None:
                _append(target, data, self._size)
                self._size += len(data)
                return
            self._show(data, target, there)

    def _show(self, data: bytes, target: Path, there: os.stat_result | None) -> None:
        if not self._turns:
            self._names = [target, *_names_beside(target, there)]
            for _ in range(2):
                file, hidden = self._open.enter_context(_hidden(target.parent, there))
                self._turns.append((file, hidden, []))
        for _, _, lacks in self._turns:
            lacks.append(data)
        file, hidden, lacks = self._turns[0]
        _fill(file, b"".join(lacks))
        os.fsync(file.fileno())
        lacks.clear()
        for name in self._names:
            _rename_a_copy(hidden, name)
        self._turns.reverse()

    def close(self) -> None:
        """Leave the file as it is now."""
        self._open.close()


def _rename_a_copy(hidden: Path, target: Path) -> None:
    """Give a file a second name in one step, or a copy of it where a file has but one."""
    other = hidden.with_name(f".coolsim-{secrets.token_hex(8)}.part")
    try:
        try:
            os.link(hidden, other)
        except OSError:
            shutil.copyfile(hidden, other)
            shutil.copymode(hidden, other)
        other.replace(target)
    finally:
        with contextlib.suppress(OSError):
            other.unlink()
