"""TCP ports of 127.0.0.1 that nobody listens on, for servers that have to be told theirs.

Below those that the kernel gives to outgoing connections (32768 on): one of another program may take such a port
between the time when it is found free and the time when it is listened on.
"""

import contextlib
import itertools
import os
import socket

PORTS = range(18_000, 32_000)
_next_port = itertools.count(os.getpid() * 97)
"""Two runs side by side begin at different places, and no port comes again soon."""


def free_port() -> int:
    """Find a port nobody listens on; none is given twice in a run."""
    while True:
        port = PORTS[next(_next_port) % len(PORTS)]
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
