"""What a stream message costs the service's process, against FastAPI's own event stream with the same snapshot."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import time
from typing import NamedTuple

import psutil

from tests.shop.process import ROOT, free_port

CLIENTS = 50
SECONDS = 8.0

OURS = """
import asyncio, sys, uvicorn
from tests.edges.web_rig import Rig, snapshot
rig = Rig()
print(rig.operator, flush=True)

async def main():
    server = uvicorn.Server(uvicorn.Config(rig.app, host="127.0.0.1", port=int(sys.argv[1]), log_level="warning"))
    async def change():
        number = 0
        while True:
            number += 1
            # A changed phase is sent at once: ten messages a second for each client.
            rig.desk.now = snapshot(oven={"phase": "soak" if number % 2 else "heat_up", "soak_done_s": number / 10})
            await asyncio.sleep(0.1)
    asyncio.get_running_loop().create_task(change())
    await server.serve()
asyncio.run(main())
"""

FASTAPI = """
import asyncio, sys, uvicorn
from collections.abc import AsyncIterable
from fastapi import FastAPI
from fastapi.sse import EventSourceResponse
from tests.edges.web_rig import Rig, snapshot
rig = Rig()
told = rig.app.state.hub._teller
app = FastAPI()

@app.get("/api/v1/stream", response_class=EventSourceResponse)
async def stream() -> AsyncIterable[dict]:
    number = 0
    content = told.status()
    while True:
        number += 1
        yield content
        await asyncio.sleep(0.1)

print("-", flush=True)
uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[1]), log_level="warning")
"""


class Cost(NamedTuple):
    ours_us: float
    fastapi_us: float
    ratio: float


async def _listen(port: int, token: str, counts: list[int], number: int) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    head = f"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1:8420\r\nAuthorization: Bearer {token}\r\n\r\n"
    writer.write(head.encode())
    while data := await reader.read(65536):
        counts[number] += data.count(b"\ndata: ") + data.startswith(b"data: ")


async def _cost(program: str) -> float:
    """CPU microseconds of the server's process for each message that reached a client."""
    port = free_port()
    process = subprocess.Popen([sys.executable, "-c", program, str(port)], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        token = process.stdout.readline().strip()
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), 1.0).close()
                break
            except OSError:
                await asyncio.sleep(0.05)
        counts = [0] * CLIENTS
        tasks = [asyncio.create_task(_listen(port, token, counts, number)) for number in range(CLIENTS)]
        await asyncio.sleep(1.5)
        seen = psutil.Process(process.pid)
        before, had = sum(seen.cpu_times()[:2]), sum(counts)
        began = time.monotonic()
        await asyncio.sleep(SECONDS)
        spent, got = sum(seen.cpu_times()[:2]) - before, sum(counts) - had
        assert got > CLIENTS * (time.monotonic() - began), f"only {got} messages came"
        for task in tasks:
            task.cancel()
        return spent / got * 1e6
    finally:
        process.kill()
        process.wait()


def message_cost() -> Cost:
    """Both in turn, twice; the lower of each, for a busy machine only ever adds."""
    ours, theirs = [], []
    for _ in range(2):
        ours.append(asyncio.run(_cost(OURS)))
        theirs.append(asyncio.run(_cost(FASTAPI)))
    return Cost(min(ours), min(theirs), min(ours) / min(theirs))


if __name__ == "__main__":
    print(message_cost())
