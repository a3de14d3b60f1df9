"""`ovenhand pair`: a one-time code for a phone, from the service that is running."""

from __future__ import annotations

import json
import os
import socket
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

from controller.commands.pairing import short_path, show
from controller.records import database_path, default_data_directory
from controller.records.trouble import is_read_only, read_only


def add_arguments(parser: ArgumentParser) -> None:
    """--data, --role."""
    parser.add_argument("--data", type=Path, help="the service's data directory")
    parser.add_argument("--role", choices=("operator", "viewer"), default="operator", help="viewer: look and Stop only")


def run(args: Namespace) -> int:
    """The code alone on standard output; QR and address on standard error."""
    directory = args.data or default_data_directory(os.environ)
    places = [directory] if args.data else [directory, directory / "rehearsal"]
    for place in places:
        try:
            told = _ask(place, args.role)
        except (OSError, ValueError):
            continue
        print(told["code"], flush=True)
        show(told["code"], told["addresses"], sys.stderr)
        return 0
    closed = [place for place in places if os.path.exists(database_path(place)) and is_read_only(place)]
    if closed:
        print(f"A service in {closed[0]} pairs no phone now. {read_only(closed[0])}", file=sys.stderr)
        return 2
    print(
        f"No service answers in {directory}. Start it with `ovenhand serve` (or `make rehearsal`), or name its "
        "data directory with --data.",
        file=sys.stderr,
    )
    return 2


def _ask(directory: Path, role: str) -> dict[str, Any]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock, short_path(directory) as path:
        sock.settimeout(3.0)
        sock.connect(path)
        sock.sendall(role.encode() + b"\n")
        data = b""
        while not data.endswith(b"\n"):
            more = sock.recv(4096)
            if not more:
                break
            data += more
    answer: dict[str, Any] = json.loads(data)
    return answer
