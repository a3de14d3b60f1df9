"""How the service's process ends: by signal whatever its clients do, and with one sentence for a user's mistake."""

from __future__ import annotations

import signal
import socket
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.shop.process import ShopProcess, shop

GONE_S = 5.0
"""Far above the second that it takes, for a busy machine; `make bench` measures the second."""


def connection(running: ShopProcess, text: bytes) -> socket.socket:
    sock = socket.create_connection(("127.0.0.1", running.port), timeout=5.0)
    sock.sendall(text)
    return sock


def test_it_goes_on_a_signal_with_streams_open_and_a_request_half_sent(tmp_path: Path) -> None:
    with shop(tmp_path) as running:
        token = running.client.headers["Authorization"].encode()
        head = b"Host: 127.0.0.1:%d\r\nAuthorization: %s\r\n" % (running.port, token)
        body = b"Content-Type: application/json\r\nContent-Length: 1000\r\n\r\n{"
        with ExitStack() as clients:
            stream = clients.enter_context(connection(running, b"GET /api/v1/stream HTTP/1.1\r\n" + head + b"\r\n"))
            assert b"200" in stream.recv(64)
            clients.enter_context(connection(running, b""))
            clients.enter_context(connection(running, b"POST /api/v1/stop HTTP/1.1\r\n" + head + body))
            assert running.terminate() < GONE_S
        assert running.process.returncode == 0
    assert "Traceback" not in (tmp_path / "log").read_text()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_either_signal_ends_it_in_good_order(number: signal.Signals, tmp_path: Path) -> None:
    with shop(tmp_path) as running:
        running.process.send_signal(number)
        running.process.send_signal(number)
        assert running.process.wait(GONE_S) == 0
    log = (tmp_path / "log").read_text()
    assert "Traceback" not in log
    assert not (tmp_path / "ovenhand.sock").exists()
