"""`ovenhand serve`: the service, on a real board or on the simulated shop."""

from __future__ import annotations

import asyncio
import errno
import fcntl
import hashlib
import logging
import os
import shlex
import shutil
import signal
import socket
import sys
import threading
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

import uvicorn

from controller.alerts import Teller, open_channels
from controller.commands.catalogue import Catalogue
from controller.commands.pairing import PairingSocket, show
from controller.commands.shipped import Library, ShopFile, demo_shop_text, load_shipped, read_shop, shop_of
from controller.core.interlocks import NOT_KNOWN, standing
from controller.core.limits import derive
from controller.core.resume import aged
from controller.core.tick import Core
from controller.daemon import Service, notify_systemd
from controller.model import Alert, Event, Outcome, RehearsalControls, Snapshot
from controller.pump import Pump
from controller.records import (
    Book,
    Devices,
    Outbox,
    Records,
    RecordsError,
    RunRecorder,
    ShopWriter,
    database_path,
    default_data_directory,
    outbox,
)
from controller.records.batch import Writing
from controller.records.trouble import is_read_only
from controller.serial_port import SerialPort
from controller.settings import Shop, ShopFileError, conservative_shop
from controller.web.access import Access
from controller.web.app import create_app
from controller.wire.link import Link

if TYPE_CHECKING:
    from controller.rehearsal import Rehearsal

T = TypeVar("T")

log = logging.getLogger("ovenhand")
GONE_S = 0.8
FINISH_S = 0.3
LOOK_AGAIN_S = 5.0
FAILED = 70
"""Exit code after a fault of our own (EX_SOFTWARE of sysexits.h)."""


def add_arguments(parser: ArgumentParser) -> None:
    """The service's options."""
    parser.add_argument("--shop", type=Path, metavar="FILE", help="the shop file (see `ovenhand check --new`)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="where the record is kept")
    parser.add_argument("--host", help="address to listen on (0.0.0.0; a rehearsal: 127.0.0.1 and the network too)")
    parser.add_argument("--port", type=int, help="port to listen on (8420)")
    parser.add_argument("--device", metavar="TTY", help="the board's serial port (found by itself if there is one)")
    parser.add_argument("--rehearsal", action="store_true", help="a simulated shop in the board's place; no real heat")
    parser.add_argument("--speed", type=float, default=1.0, help="rehearsal: how much faster than the clock, 1 to 20")
    parser.add_argument("--seed", type=int, default=0, help="rehearsal: which simulated shop (0: a typical one)")


class UserError(Exception):
    """Something the user can put right; the message says what."""


def run(args: Namespace) -> int:
    """Serve until SIGTERM or Ctrl-C. 2 for a mistake of the user's, with one sentence."""
    try:
        return _serve(args)
    except (UserError, RecordsError) as error:
        print(error, file=sys.stderr)
    except ShopFileError as error:
        print("\n".join(error.lines()), file=sys.stderr)
    return 2


def _serve(args: Namespace) -> int:
    if args.rehearsal and (args.shop or args.device):
        raise UserError("A rehearsal has its own shop and board: leave out --shop and --device.")
    if not args.rehearsal and (args.speed != 1.0 or args.seed != 0):
        raise UserError("--speed and --seed are for a rehearsal: add --rehearsal, or leave them out.")
    if not 1.0 <= args.speed <= 20.0:
        raise UserError("--speed lies between 1 and 20.")
    directory = args.data or default_data_directory(os.environ) / ("rehearsal" if args.rehearsal else "")
    with _own(directory):
        library = load_shipped(directory, ("programs", "oils"))
        for line in library.problems:
            log.warning("%s", line)
        return _with_record(args, directory, library, _shop(args, library))


def _own(directory: Path) -> TextIO:
    """The data directory, for this process alone."""
    try:
        directory.mkdir(parents=True, exist_ok=True, mode=0o700)
        # On a card that has switched itself to read-only the service starts all the same, with the lock it had.
        lock = (directory / "service.lock").open("r" if is_read_only(directory) else "w")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BaseException:
            lock.close()
            raise
    except BlockingIOError:
        raise UserError(f"Another service already works in {directory}. Stop it, or name another --data.") from None
    except OSError as error:
        why = "it is read-only" if is_read_only(directory) else error.strerror
        raise UserError(f"{directory} cannot be used: {why}. Name another with --data.") from None
    return lock


def _shop(args: Namespace, library: Library) -> ShopFile | None:
    if args.rehearsal:
        return shop_of(demo_shop_text(), library, name="demo.toml")
    if args.shop:
        found = read_shop(args.shop, library)
        for sentence in found.advice:
            log.info("%s", sentence)
        return found
    return None


def _with_record(args: Namespace, directory: Path, library: Library, shop_file: ShopFile | None) -> int:
    records = Records(database_path(directory), wall=time.time, mono=time.monotonic)
    rehearsal = _simulated(args.seed, args.speed) if args.rehearsal else None
    clock = rehearsal.now_s if rehearsal else time.monotonic
    port = SerialPort(rehearsal.tty_path if rehearsal else args.device)
    pump = Pump(_cores(shop_file, records), Link(), remake=shop_file is None)
    shop = shop_file.shop if shop_file else conservative_shop(0)
    teller = _teller(shop, records)
    recorder = RunRecorder(
        records,
        state=lambda: pump.core.state(),
        now_s=clock(),
        settings_hash=_hash(str(shop_file.shop if shop_file else "")),
        profiles_hash=_hash(repr(sorted(library.programs))),
        tell=_telling(teller),
        memory=lambda: pump.memory(),
    )
    taker: Any = recorder if rehearsal is None else _LoadsTheOven(recorder, rehearsal, pump)
    scale = rehearsal.speed if rehearsal else (lambda: 1.0)
    service = Service(pump, port, now_s=clock, wall=time.time, recorder=taker, scale=scale)
    ending = threading.Event()
    try:
        catalogue = Catalogue(library, directory, shop_file)
        threading.Thread(target=_look_again, args=(teller, ending), name="alerts again", daemon=True).start()
        return _listen(args, directory, catalogue, shop, service, records, rehearsal, teller)
    finally:
        service.stop()
        ending.set()
        for way in teller.ways:
            way.stop()
        service.heat_off.wait(0.3)
        if not service.failed:
            records.put_state(pump.core.state())
        if rehearsal:
            rehearsal.stop()
        port.close()
        if not records.close(GONE_S):
            log.error("The book did not take what came last. %s", records.trouble or "The disk is too slow.")


def _simulated(seed: int, speed: float) -> Rehearsal:
    """The simulated shop, whose modules a real shop need not load."""
    from controller.rehearsal import Rehearsal
    from controller.sim.shop import SimShop

    return Rehearsal(SimShop(seed), speed)


def _cores(shop_file: ShopFile | None, records: Records) -> Callable[[int | None], Core]:
    """A core for this shop; without a shop file one for what the board says is fitted.

    The first knows what the book has, the one that is made at the greeting what the first has learnt since: a stop
    or a day gone by may have ended what the book still offered.
    """
    state = aged(records.state(), records.state_age_s)
    if not records.stands_known:
        log.error("The last state may be lost, with a trip that stood: nothing heats before a hold of reset.")
        # Nor is it known whether the run that it offers was stopped.
        state = {**(state or {}), "run": None, "latched": [*standing((state or {}).get("latched", ())), NOT_KNOWN]}
    last: Core | None = None

    def make(fitted: int | None) -> Core:
        nonlocal last
        limits = shop_file.limits if shop_file else derive(conservative_shop(fitted or 0), None)
        last = Core(limits, next_run_id=records.next_run_id, state=state if last is None else last.state())
        return last

    return make


def _teller(shop: Shop, records: Records) -> Teller:
    """What people are told, with what the book says still waits to be sent. A damaged memory silences nothing."""
    book = Outbox(records)
    before = _known("Earlier alerts", book.before)
    waiting = _known("Alerts that wait to be sent", book.waiting)
    held = _known("Alerts that are held back", book.held)

    def report(channel: str, alert: Alert, attempts: int, fault: str, done: bool) -> None:
        book.report(channel, alert, attempts, fault, done, at=time.time())

    channels = open_channels(shop.alerts, mono=time.monotonic, wall=time.time, report=report, waiting=waiting)
    return Teller(
        channels, units=shop.units, clock_at=lambda at: time.strftime("%H:%M", time.localtime(at)),
        mark_seen=book.mark_seen,
        told_late=lambda alert, names: records.put(outbox.insertion(alert, names), durable=True),
        hold=book.hold, let_go=book.let_go, before=before, held=held,
    )  # fmt: skip


def _known(what: str, read: Callable[[], list[T]]) -> list[T]:
    try:
        return read()
    except RecordsError as error:
        log.warning("%s are not known: %s", what, error)
        return []


def _look_again(teller: Teller, ending: threading.Event) -> None:
    while not ending.wait(LOOK_AGAIN_S):
        teller.look(time.time())


def _telling(teller: Teller) -> Callable[[Event, Snapshot, int, float], Writing | None]:
    def tell(event: Event, snapshot: Snapshot, number: int, at: float) -> Writing | None:
        alert = teller.consider(event, snapshot, number, at)
        return None if alert is None else outbox.insertion(alert, teller.takers(alert))

    return tell


class _LoadsTheOven:
    """In a rehearsal the load of a run that is accepted lies in the simulated oven."""

    def __init__(self, recorder: RunRecorder, rehearsal: Rehearsal, pump: Pump) -> None:
        self._recorder, self._rehearsal, self._pump = recorder, rehearsal, pump

    def took(self, now_s: float, wall: float, *, outcomes: list[Outcome], **rest: Any) -> object:
        for outcome in outcomes:
            if any(event.kind == "run_started" for event in outcome.events) and self._pump.core.oven.run:
                self._rehearsal.set_load(self._pump.core.oven.run.load)
        return self._recorder.took(now_s, wall, outcomes=outcomes, **rest)


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _listen(
    args: Namespace, directory: Path, catalogue: Catalogue, shop: Shop, service: Service, records: Records,
    rehearsal: Rehearsal | None, teller: Teller,
) -> int:  # fmt: skip
    host = args.host or "0.0.0.0"
    port = args.port or shop.network.port
    sock = _bind(host, port)
    port = sock.getsockname()[1]
    devices = Devices(records, wall=time.time)
    access = Access(devices)
    names = [socket.gethostname(), f"{socket.gethostname()}.local", *shop.network.names]
    controls: RehearsalControls | None = rehearsal
    app = create_app(
        desk=service, book=Book(database_path(directory), met=records.met), devices=devices, catalogue=catalogue,
        access=access, mode="rehearsal" if rehearsal else "shop", units=shop.units, rehearsal=controls,
        allowed_hosts=names, port=port, wall=time.time, record_error=RecordsError,
        record_trouble=lambda: records.trouble, record_kept=records.kept, alerts=teller,
        writer=ShopWriter(records, wall=time.time),
    )  # fmt: skip
    server = _Server(
        uvicorn.Config(app, log_level="warning", access_log=False, lifespan="off", ws="none"), service, app
    )
    service.on_failure = server.end
    for number in (signal.SIGTERM, signal.SIGINT):
        # uvicorn raises the signal once more when it is done; the record must still be closed after that.
        signal.signal(number, server.handle_exit)
    addresses = _addresses(host, port)
    try:
        pairing: PairingSocket | None = PairingSocket(directory, access.new_code, addresses)
    except OSError as error:
        if not is_read_only(directory):
            raise UserError(f"{directory} takes no socket ({error.strerror}). Name another with --data.") from None
        log.warning("No phone can be paired: %s is read-only.", directory)
        pairing = None
    if rehearsal:
        rehearsal.start()
    service.start()
    with suppress(OSError):  # a log on a full disk, or a terminal that is gone
        how = None if pairing is None else how_to_pair(args.data)
        _greet(addresses, access, devices, rehearsal is not None, how)
    notify_systemd("READY=1")
    try:
        server.run(sockets=[sock])
    finally:
        if pairing is not None:
            pairing.close()
    return FAILED if service.failed else 0


class _Server(uvicorn.Server):
    """On a signal: heat off first, then the streams, then the rest."""

    def __init__(self, config: uvicorn.Config, service: Service, app: Any) -> None:
        super().__init__(config)
        self._service = service
        self._hub = app.state.hub

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._service.stop()
        self.end()
        super().handle_exit(sig, frame)

    def end(self) -> None:
        """Stop serving. From any thread, more than once if need be."""
        self._hub.close()
        self.should_exit = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        # A client that never sends the rest of its request would keep the process for ever.
        loop = asyncio.get_running_loop()
        loop.call_later(FINISH_S, self._hang_up)
        loop.call_later(2 * FINISH_S, setattr, self, "force_exit", True)
        await super().shutdown(sockets)

    def _hang_up(self) -> None:
        for connection in list(self.server_state.connections):
            connection.transport.abort()


def _bind(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, port))
    except OSError as error:
        sock.close()
        if error.errno == errno.EADDRINUSE:
            raise UserError(f"Port {port} is taken by another program. Stop it, or name another --port.") from None
        raise UserError(f"{host}:{port} cannot be listened on: {error.strerror}.") from None
    except OverflowError:
        sock.close()
        raise UserError(f"--port {port} is none: 1 to 65535.") from None
    sock.listen(128)
    return sock


def _addresses(host: str, port: int) -> list[str]:
    """What to open on the phone: this machine's own address on the network, then its loopback."""
    found = []
    if host in ("0.0.0.0", "::"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                # Connecting a datagram socket sends nothing; it only asks which address would be used.
                probe.connect(("192.0.2.1", 9))
                found.append(probe.getsockname()[0])
            except OSError:
                pass
        found.append("127.0.0.1")
    else:
        found.append(f"[{host}]" if ":" in host else host)
    return [f"http://{address}:{port}/" for address in dict.fromkeys(found)]


def _greet(addresses: list[str], access: Access, devices: Devices, rehearsal: bool, pair: str | None) -> None:
    what = "The rehearsal is on; nothing real is heated." if rehearsal else "Ovenhand is on."
    print(f"{what} Open {' or '.join(addresses)}", file=sys.stderr)
    paired = any(device.revoked_at is None for device in devices.list())
    if pair is None:
        return
    if sys.stderr.isatty() and not paired:
        show(access.new_code("operator"), addresses, sys.stderr)
    elif not paired:
        print(f"No phone is paired yet: `{pair}` gives a code.", file=sys.stderr)


def how_to_pair(data: Path | None) -> str:
    """The command line that asks this very service for a code; `data`: the directory that --data named, if any."""
    return f"{_own_command()} pair" + (f" --data {shlex.quote(str(data))}" if data is not None else "")


def _own_command() -> str:
    """How this installation's command is called from here."""
    beside = Path(sys.executable).with_name("ovenhand")
    if shutil.which("ovenhand") or not beside.exists():
        return "ovenhand"
    return os.path.relpath(beside)
