"""The operating system's lock on an open file: it ends with the file's closing or with its process, however that dies."""

import os
import sys

if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30
    """Windows keeps others from reading what is locked, so a byte is locked that no file of ours reaches."""

    def lock(descriptor: int) -> bool:
        """Lock the open file; False when somebody else has."""
        here = os.lseek(descriptor, 0, os.SEEK_CUR)
        try:
            os.lseek(descriptor, _FAR, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(descriptor, here, os.SEEK_SET)
        return True

else:
    import fcntl

    def lock(descriptor: int) -> bool:
        """Lock the open file; False when somebody else has."""
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
