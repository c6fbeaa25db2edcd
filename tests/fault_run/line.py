"""A line between a tablet and the server that can be cut."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress


class Line:
    """What lies between a tablet and the server; it can be cut in the middle of an answer."""

    def __init__(self, server_port: int) -> None:
        self.up, self._server, self._open = True, server_port, set[socket.socket]()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                if not self.up:
                    raise OSError
                far = socket.create_connection(("127.0.0.1", self._server), timeout=5)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            self._open |= {near, far}
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pass_on, args=(one, other), daemon=True).start()

    def _pass_on(self, one: socket.socket, other: socket.socket) -> None:
        try:
            while data := one.recv(65536):
                other.sendall(data)
        except OSError:
            pass
        for end in (one, other):
            self._end(end)

    def _end(self, end: socket.socket) -> None:
        self._open.discard(end)
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()

    def cut(self) -> None:
        """Break every connection; none is made until the line is restored."""
        self.up = False
        for end in list(self._open):
            self._end(end)

    def restore(self) -> None:
        """Let connections through again."""
        self.up = True

    def close(self) -> None:
        """Stop listening."""
        self.cut()
        self._listener.close()
