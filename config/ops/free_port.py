"""Print a port that is free on this machine: the one asked for, or the first from 8000 on."""

import socket
import sys


def free(port: int) -> bool:
    """Say whether nobody listens there."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


asked = sys.argv[1] if len(sys.argv) > 1 else ""
if asked:
    if not asked.isdecimal() or not 0 < int(asked) < 65536:
        sys.exit(f"PORT must be a number from 1 to 65535, not '{asked}'.")
    if not free(int(asked)):
        sys.exit(f"Port {asked} is in use; choose another with PORT=...")
    print(asked)
else:
    print(next(port for port in range(8000, 8100) if free(port)))
