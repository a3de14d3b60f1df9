"""Pairing at the machine: the Unix socket that `pair` asks, and how a code is shown. Codes never reach a log."""

from __future__ import annotations

import json
import os
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, TextIO

SOCKET_NAME: Final = "ovenhand.sock"
AGAIN_S: Final = 1.0


def show(code: str, addresses: Sequence[str], stream: TextIO) -> None:
    """QR of the first address with the code, and both in words."""
    if addresses:
        import segno  # only where a code is drawn: the service starts the sooner

        segno.make(f"{addresses[0]}#pair={code}", error="m").terminal(out=stream, compact=True)
        print(f"Open {' or '.join(addresses)} on the phone", file=stream)
    print(f"and type the code {code}. It works once, for 5 minutes.", file=stream)


@contextmanager
def short_path(directory: Path) -> Iterator[str]:
    """The socket in this directory by a name that the system takes, however long the real one (108 bytes)."""
    opened = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{opened}/{SOCKET_NAME}"
    finally:
        os.close(opened)


class PairingSocket:
    """Answers each connection that sends a role with a new code. Only the owner of the data can reach it.

    Raises OSError where the directory's file system takes no socket.
    """

    def __init__(self, directory: Path, new_code: Callable[[str], str], addresses: Sequence[str]) -> None:
        self._path = directory / SOCKET_NAME
        self._new_code = new_code
        self._addresses = list(addresses)
        self._closed = threading.Event()
        self._path.unlink(missing_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        before = os.umask(0o177)
        try:
            with short_path(directory) as path:
                self._socket.bind(path)
        finally:
            os.umask(before)
        self._socket.listen(4)
        threading.Thread(target=self._serve, name="pairing", daemon=True).start()

    def close(self) -> None:
        """Take the socket away."""
        self._closed.set()
        self._socket.close()
        with suppress(OSError):  # on a card that takes nothing any more it stays, and the next start makes it anew
            self._path.unlink(missing_ok=True)

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                # Nothing but being closed ends it: too many open files, say, may be over in a second.
                if self._closed.wait(AGAIN_S):
                    return
                continue
            with connection:
                try:
                    connection.settimeout(2.0)
                    role = connection.recv(64).decode(errors="replace").strip()
                    if role in ("operator", "viewer"):
                        told = {"code": self._new_code(role), "addresses": self._addresses}
                        connection.sendall(json.dumps(told).encode() + b"\n")
                except OSError:
                    continue
