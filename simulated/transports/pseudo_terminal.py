"""The bench's own end of a simulated serial line where the system has pseudo-terminals."""

import os
import pty
import select
import sys
import tty
from pathlib import Path

# Windows has none: there `simulated.transports.loopback_line` takes this module's place.
assert sys.platform != "win32"


class PseudoTerminal:
    """A line at whose other end any program opens the serial device `path`. Raises OSError when the path is taken."""

    def __init__(self, path: Path) -> None:
        # A link whose terminal is gone was left behind by a killed server.
        if path.is_symlink() and not path.exists():
            path.unlink()
        self._path = path
        self._near, self._far = pty.openpty()
        try:
            tty.setraw(self._far)
            os.set_blocking(self._near, False)
            path.symlink_to(os.ttyname(self._far))
        except OSError:
            os.close(self._near)
            os.close(self._far)
            raise

    def read(self, seconds: float) -> bytes:
        return os.read(self._near, 4096) if select.select([self._near], [], [], seconds)[0] else b""

    def write(self, data: bytes, seconds: float) -> bool:
        while data:
            if not select.select([], [self._near], [], seconds)[1]:
                return False
            data = data[os.write(self._near, data) :]
        return True

    def close(self) -> None:
        self._path.unlink(missing_ok=True)
        os.close(self._near)
        os.close(self._far)
