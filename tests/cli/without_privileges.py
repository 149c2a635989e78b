"""Run by the tests in a process of its own: a command as somebody whom permissions bind.

They do not bind root; so root lets go of all its capabilities first (capset(2) of Linux).
"""

import ctypes
import os
import struct
import sys

from cds_service import cli

VERSION_3 = 0x20080522


def let_go() -> None:
    """From here on permissions hold for root too."""
    if os.geteuid() != 0:
        return
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.capset(struct.pack("Ii", VERSION_3, 0), bytes(24)):
        raise OSError(ctypes.get_errno(), "capabilities cannot be let go of")


if __name__ == "__main__":
    let_go()
    sys.exit(cli.main(sys.argv[1:]))
