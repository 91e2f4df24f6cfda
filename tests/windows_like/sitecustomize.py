"""What Windows does otherwise, for programs started with this folder first on PYTHONPATH: our own code takes its branches for Windows.

It is no Windows. It shows that the product's own code asks the system for nothing that Windows lacks, as far as the documentation
of Python and Windows tells; the libraries below it stay those of this system. What is done, and by which documentation:

- `sys.platform` and `os.name` in the text of the product's modules are "win32" and "nt" (replaced when a module is loaded);
- modules that exist on POSIX only cannot be imported by the product ("Availability: Unix" in the Python documentation);
- `signal` has the signals of Windows alone, and `signal.signal` refuses others (library/signal); `os.kill` with any of these ends
  the other process (library/os: "unconditionally killed by the TerminateProcess API");
- `select.select` takes sockets alone, and not three empty lists (library/select: "File objects on Windows are not acceptable");
- a file that is open can be neither removed nor replaced (CreateFile: nobody may delete a file that was opened without
  FILE_SHARE_DELETE, which Python's `open` never gives), and making links needs a privilege;
- standard input at a terminal is no `io.FileIO` (CPython: `_io._WindowsConsoleIO`, PEP 528);
- text files are cp1252 and end their lines with "\\r\\n" unless told otherwise (library/functions, `open`).

With WRITTEN in the environment, the path of everything that is written, made, renamed or removed goes into that file, a line each.
"""

from __future__ import annotations

import ast
import builtins
import contextlib
import importlib.machinery
import io
import os
import select
import shutil
import signal
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

PRODUCT = ("harness", "instruments", "procedures", "simulated", "reports")
POSIX_ONLY = {"fcntl", "pty", "tty", "termios", "resource", "pwd", "grp", "posix", "syslog", "curses", "readline"}
SIGNALS = ("SIGINT", "SIGTERM", "SIGBREAK", "SIGABRT", "SIGFPE", "SIGILL", "SIGSEGV")
KILL = signal.SIGKILL


def is_ours(name: str | None) -> bool:
    """Whether a module is the product's."""
    return (name or "").partition(".")[0] in PRODUCT


class _OnWindows(ast.NodeTransformer):
    def visit_Attribute(self, node: ast.Attribute) -> ast.expr:
        self.generic_visit(node)
        if isinstance(node.value, ast.Name) and isinstance(node.ctx, ast.Load):
            found = {("sys", "platform"): "win32", ("os", "name"): "nt"}.get((node.value.id, node.attr))
            if found is not None:
                return ast.copy_location(ast.Constant(found), node)
        return node


class _Loader(importlib.machinery.SourceFileLoader):
    def get_code(self, fullname: str) -> Any:
        text = self.get_data(self.path)
        if b"sys.platform" not in text and b"os.name" not in text:
            # Nothing to replace: what Python has compiled will do.
            return super().get_code(fullname)
        tree = _OnWindows().visit(ast.parse(text))
        return compile(ast.fix_missing_locations(tree), self.path, "exec", dont_inherit=True)


class _Finder:
    @staticmethod
    def find_spec(name: str, path: Any = None, target: Any = None) -> Any:
        spec = importlib.machinery.PathFinder.find_spec(name, path, target) if is_ours(name) else None
        if spec is not None and isinstance(spec.loader, importlib.machinery.SourceFileLoader):
            spec.loader = _Loader(spec.loader.name, spec.loader.path)
        return spec


sys.meta_path.insert(0, _Finder)

_import = builtins.__import__


def _importing(name: str, globals: Any = None, *rest: Any, **named: Any) -> Any:
    if name.partition(".")[0] in POSIX_ONLY and is_ours((globals or {}).get("__name__")):
        raise ModuleNotFoundError(f"No module named {name!r} (Windows has none)", name=name)
    if name == "msvcrt" and is_ours((globals or {}).get("__name__")):
        # For nobody else: libraries take it for Windows itself.
        return _import("fake_msvcrt")
    return _import(name, globals, *rest, **named)


builtins.__import__ = _importing

# `subprocess` itself keeps the signal that ends a process here.
subprocess.Popen.kill = lambda self: self.send_signal(KILL)  # type: ignore[method-assign]
signal.SIGBREAK = signal.SIGTTIN  # type: ignore[attr-defined]
_settable = {int(getattr(signal, name)) for name in SIGNALS}
for _name in [n for n in dir(signal) if n.startswith("SIG") and not n.startswith("SIG_") and n not in SIGNALS]:
    delattr(signal, _name)
for _name in ("pthread_kill", "alarm", "setitimer", "sigwait"):
    delattr(signal, _name)
_set_signal, _kill, _select = signal.signal, os.kill, select.select


def _setting(number: int, handler: Any) -> Any:
    if int(number) not in _settable:
        raise ValueError(f"signal number out of range: {number}")
    return _set_signal(number, handler)


def _killing(pid: int, number: int) -> None:
    _kill(pid, KILL if int(number) in _settable else number)


def _selecting(reading: Any, writing: Any, failing: Any, seconds: float | None = None) -> Any:
    if is_ours(sys._getframe(1).f_globals.get("__name__")):
        waited_for = [*reading, *writing, *failing]
        if not waited_for:
            raise OSError(10022, "An invalid argument was supplied")
        for one in waited_for:
            number = one if isinstance(one, int) else one.fileno()
            if not stat.S_ISSOCK(os.fstat(number).st_mode):
                raise OSError(10038, "An operation was attempted on something that is not a socket")
    return _select(reading, writing, failing, seconds)


signal.signal, os.kill, select.select = _setting, _killing, _selecting  # type: ignore[assignment]


def _refuse_open(path: Any) -> None:
    with contextlib.suppress(OSError):
        wanted = os.lstat(path)
        for opened in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(OSError):
                if os.path.samestat(opened.stat(), wanted):
                    break
        else:
            return
        raise _Held
    return


class _Held(Exception):
    pass


def _guarding(action: Any, *, both: bool) -> Any:
    def guarded(path: Any, *rest: Any, **named: Any) -> Any:
        for one in (path, *rest[:1]) if both else (path,):
            try:
                _refuse_open(one)
            except _Held:
                reason = "The process cannot access the file because it is being used by another process"
                raise PermissionError(13, reason, str(one)) from None
        return action(path, *rest, **named)

    return guarded


def _no_link(path: Any, target: Any, *rest: Any, **named: Any) -> None:
    raise OSError(22, "A required privilege is not held by the client", str(target))


shutil._use_fd_functions = False  # type: ignore[attr-defined]
os.unlink = os.remove = _guarding(os.unlink, both=False)
os.rename, os.replace = _guarding(os.rename, both=True), _guarding(os.replace, both=True)
os.symlink = os.link = _no_link  # type: ignore[assignment]

_open = io.open


def _opening(
    file: Any,
    mode: str = "r",
    buffering: int = -1,
    encoding: str | None = None,
    errors: str | None = None,
    newline: str | None = None,
    *rest: Any,
    **named: Any,
) -> Any:
    if "b" not in mode:
        encoding = "cp1252" if encoding in (None, "locale") else encoding
        if newline is None and set(mode) & set("wxa+"):
            newline = "\r\n"
    return _open(file, mode, buffering, encoding, errors, newline, *rest, **named)


builtins.open = io.open = _opening  # type: ignore[assignment]


class _Console(io.RawIOBase):
    """What standard input is below its buffer where it is a console (there a class of its own, and no FileIO)."""

    def fileno(self) -> int:
        return 0

    def readable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = os.read(0, len(buffer))
        buffer[: len(data)] = data
        return len(data)


if os.isatty(0):
    sys.stdin = io.TextIOWrapper(io.BufferedReader(_Console()), encoding="utf-8")

for _stream in (sys.stdout, sys.stderr):
    if isinstance(_stream, io.TextIOWrapper):
        _stream.reconfigure(newline="\r\n")

if _written := os.environ.get("WRITTEN"):
    _log = os.open(_written, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    _KINDS = (
        "os.mkdir",
        "os.rename",
        "os.remove",
        "os.rmdir",
        "os.symlink",
        "os.link",
        "os.truncate",
        "shutil.copyfile",
    )

    def _audit(event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open" and isinstance(arguments[0], (str, bytes, os.PathLike)):
            flags = arguments[2] if isinstance(arguments[2], int) else 0
            paths = arguments[:1] if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT) else ()
        elif event in _KINDS:
            paths = (
                arguments[-1:]
                if event == "shutil.copyfile"
                else arguments[:2]
                if event == "os.rename"
                else arguments[:1]
            )
        else:
            return
        for path in paths:
            if isinstance(path, (str, os.PathLike)):
                os.write(_log, f"{Path(path).absolute()}\n".encode(errors="surrogateescape"))

    sys.addaudithook(_audit)
