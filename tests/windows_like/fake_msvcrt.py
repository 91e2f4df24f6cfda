"""Stands for the module of this name that only Windows has, where tests force the program's branches for Windows.

Modelled on the Python documentation, library/msvcrt, "File Operations" and "Console I/O". What it says and is kept to:
- `locking` "Lock part of a file based on file descriptor fd from the C runtime. Raises OSError on failure. The locked region of
  the file extends from the current file position for nbytes bytes, and may continue beyond the end of the file." `LK_NBLCK`
  "Locks the specified bytes. If the bytes cannot be locked, OSError is raised." The lock is one of the open file (Linux:
  F_OFD_SETLK), so that a second opening in the same process meets it too, and ends with its closing.
- `kbhit` "Returns a nonzero value if a keypress is waiting to be read." `getwch` reads one, "will block if a keypress is not
  already available", echoes nothing; a special function key is two of them, "\\000" or "\\xe0" first.

A terminal of this system is set so that each key comes at once and is not echoed, as both find it there; its Enter is "\\r".

Not modelled: that nobody may read a region that somebody else has locked.
"""

from __future__ import annotations

import fcntl
import os
import select
import struct
import sys
import termios
import tty

LK_UNLCK, LK_LOCK, LK_NBLCK, LK_RLCK, LK_NBRLCK = range(5)

pressed: list[str] = []
"""Keypresses a test has put here; with a terminal, what was typed there comes after them."""


def locking(fd: int, mode: int, nbytes: int) -> None:
    """Lock or unlock a region from the file's position on."""
    if mode not in (LK_NBLCK, LK_UNLCK):
        raise NotImplementedError("the waiting modes are not modelled")
    kind = fcntl.F_UNLCK if mode == LK_UNLCK else fcntl.F_WRLCK
    place = os.lseek(fd, 0, os.SEEK_CUR)
    # struct flock of 64-bit Linux: type, whence, start, length, process.
    fcntl.fcntl(fd, fcntl.F_OFD_SETLK, struct.pack("hhqqi4x", kind, os.SEEK_SET, place, nbytes, 0))


if os.isatty(0):
    tty.setcbreak(0, termios.TCSANOW)


def kbhit() -> bool:
    """Whether a keypress waits."""
    return bool(pressed) or (sys.stdin is not None and bool(select.select([0], [], [], 0)[0]))


def getwch() -> str:
    """The next keypress."""
    return pressed.pop(0) if pressed else os.read(0, 1).decode("latin-1").replace("\n", "\r")
