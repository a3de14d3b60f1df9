"""A stand-in for the service: scripted snapshots by state over http, for tests of the page and for looking at it.

`python -m tests.page.fake STATE [shop|rehearsal]` serves one state on port 8421 until it is interrupted. The status
is made by the service's own `controller.web.status`, so that the page is tested on what it will get.
"""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Final

from controller.web.guard import SECURITY_HEADERS
from controller.web.status import status
from tests.page.shop_states import STATES

PAGE: Final = Path(__file__).parents[2] / "controller" / "web" / "page"
TYPES: Final = {".js": "text/javascript", ".css": "text/css", ".html": "text/html", ".svg": "image/svg+xml"}
BEGAN: Final = datetime.now(UTC) - timedelta(minutes=40)
HOSTILE: Final = "<script>window.broken = true</script>"


def _time(at: datetime) -> str:
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _program(name: str, temperature_c: float, soak_min: float, count: int = 1) -> dict[str, Any]:
    temper = {"temperature_c": temperature_c, "soak_min": soak_min, "ramp_c_per_h": None,
              "band_c": 5.0, "cool_below_c": 60.0, "prompt": None}  # fmt: skip
    return {"name": name, "tempers": [temper] * count, "until_equivalent": False, "use": f"For {name}.",
            "note": "Not above 260 °C.", "source": "Common practice, no source."}  # fmt: skip


def trace_csv() -> str:
    """Forty minutes of a drift: air ahead of the steel, then both at 205 °C."""
    lines = ["at,mono_s,phase,temper_index,oven_c,part_c,setpoint_c,tank_c,tank_setpoint_c"]
    for second in range(0, 2400, 2):
        air_c = 20 + 195 * min(1.0, second / 330) - (10 if second > 900 else 0)
        part_c = 205 - 185 * 0.9975**second
        at = _time(BEGAN + timedelta(seconds=second))
        lines.append(f"{at},{second},soak,0,{air_c:.2f},{part_c:.2f},205.0,21.0,")
    return "\n".join(lines) + "\n"


def event(number: int, minutes: float, kind: str, text: str) -> dict[str, Any]:
    at = _time(BEGAN + timedelta(minutes=minutes))
    return {"id": number, "run_id": 7, "at": at, "mono_s": 0.0, "kind": kind, "text": text, "data": {}}


EVENTS: Final = [
    event(1, 0.0, "run_started", "Run 7 of drift was started."), event(2, 21.0, "soak_begun", "Soak 1 has begun."),
    event(3, 30.0, "interlock_withheld", "The oven door is open."),
]  # fmt: skip
LINE: Final = {
    "id": 7, "program_name": HOSTILE, "who": "device 1", "started_at": _time(BEGAN), "ended_at": None,
    "outcome": "ended", "ending": "The last soak is done.", "duration_s": 2400.0,
}  # fmt: skip
FIGURE: Final = {"source": "a test's own", "mark": "from memory"}
ANSWERS: Final[Mapping[str, Any]] = {
    "programs": [_program("drift", 205.0, 60.0), _program("double temper", 205.0, 120.0, 2), _program(HOSTILE, 80, 2)],
    "runs": [LINE],
    "runs/7": LINE | {
        "program": _program("drift", 205.0, 60.0), "load": [{"mass_kg": 0.4, "section_mm": 14.0}], "events": EVENTS,
        "tempers": [{"temperature_c": 205.0, "soak_s": 3600.0, "in_band_s": 3600.0, "part_peak_c": 205.8,
                     "air_peak_c": 216.1, "equivalent_c": 204.6, "equivalent_s": 3550.0}],
    },
    "steels": [{
        "name": "1095", "family": "plain", "note": "", "composition": {"c": 0.95, "mn": 0.4} | FIGURE,
        "ac1_c": {"value": 725.0} | FIGURE, "ms_c": {"low": 180.0, "high": 215.0} | FIGURE,
        "embrittlement": {"text": "260 to 370 °C"} | FIGURE,
        "temper_tables": [{"schedule": "1 h x1", "temperatures_c": [204.4, 260.0], "hardness_hrc": [61, 57]} | FIGURE],
    }],
    "alerts": {
        "alerts": [
            {"id": 41, "kind": "oil_ready", "urgency": "hand", "headline": f"The oil is ready. {HOSTILE}",
             "text": "Stir.", "at": _time(BEGAN), "seen_at": None, "seen_by": None},
            {"id": 40, "kind": "interlock_tripped", "urgency": "trip", "headline": "Stopped: the oven passed 300 °C.",
             "text": "Look.", "at": _time(BEGAN), "seen_at": _time(BEGAN), "seen_by": "Shop phone 1"},
        ],
        "channels": [
            {"name": "my phone", "waiting": 2, "forgotten": 1, "failing": "The other end did not answer.",
             "last_delivered_at": None},
            {"name": "mail", "waiting": 0, "forgotten": 0, "failing": "", "last_delivered_at": _time(BEGAN)},
        ],
    },
    "rehearsal": {
        "speed": 4.0,
        "faults": [{"name": "door_open", "text": "The oven's door is open.", "on": True},
                   {"name": "smoke", "text": "The smoke or CO alarm sounds.", "on": False}],
    },
}  # fmt: skip
REFUSAL: Final = {
    "title": "Refused", "status": 409,
    "reasons": [{"code": "too_hot", "text": "Temper 1 asks 270 °C; the highest in this oven is 260 °C."},
                {"code": "door", "text": "The oven door is open. Shut it and the heat comes back."}],
}  # fmt: skip


BAR: Final = {"id": 1, "name": HOSTILE, "grade": None, "composition": None, "section_mm": 12.0, "origin": "axle",
              "created_at": _time(BEGAN), "used_up_at": None, "note": ""}  # fmt: skip
PIECE: Final = {"id": 3, "stock_id": 1, "name": "drift no. 3", "mass_kg": 0.42, "section_mm": 15.0,
                "plan": {"use": "drift"}, "tag": "D3", "created_at": _time(BEGAN), "finished_at": None,
                "note": ""}  # fmt: skip
USES: Final = [
    {"name": name, "low_hrc": 45.0, "high_hrc": 55.0, "source": "a test's own"} for name in ("drift", "spring")
]
RUNG: Final = {"id": 1, "stock_id": 1, "at": _time(BEGAN), "who": "device 1", "medium": "still air", "section_mm": 12.0,
               "flat": False, "hardened_from_c": None, "file_skates": False, "skates_hrc": None, "bites_hrc": None,
               "one_file": "cuts easily", "note": ""}  # fmt: skip
LADDER: Final = {"rungs": [RUNG], "reason": "", "judged": {
    "class": "not hardened yet", "carbon_low": 0.35, "carbon_high": 0.6, "next_test": "A fresh coupon in oil.",
    "rungs": [{"medium": "air", "state": "soft"}], "warnings": ["A class and a guess, never a grade."],
    "grades": [{"name": "4140", "for": ["0.4 % carbon against the guess"], "against": []}],
}}  # fmt: skip
TESTS: Final = {
    "tests": [{"id": 1, "stock_id": 1, "piece_id": 3, "run_id": None, "at": _time(BEGAN), "who": "device 1",
               "skates_hrc": 50.0, "bites_hrc": 55.0, "one_file": None, "temper_c": 205.0, "temper_s": 3600.0,
               "by_hand": False, "note": "", "low_hrc": 48.0, "high_hrc": 57.0}],
    "teaching": 1, "temperature_c": 205.0, "time_s": 3600.0,
    "before": {"hardness_hrc": 54.0, "low_hrc": 49.0, "high_hrc": 59.0, "model": "known grade", "reason": ""},
    "now": {"hardness_hrc": 53.0, "low_hrc": 51.0, "high_hrc": 55.0, "model": "stock tested here", "reason": ""},
}  # fmt: skip
SHEET: Final = {
    "title": "4140, 20 mm round, drift", "wanted_hrc": 50.0,
    "sections": [{"name": name, "title": name.capitalize(), "lines": [f"{name}: heat to 830 to 860 °C.", "Then look."]}
                 for name in ("coupon", "hardening", "quench", "temper", "checks", "cautions")],
    "program": {"name": "plan 4140 260", "tempers": [{"temperature_c": 260.0, "soak_min": 70.0}]},
}  # fmt: skip
QUENCH: Final = {"rise_k": 21.0, "after_c": 76.0, "allowed": True, "reasons": [], "expected_low_k": 13.0,
                 "expected_high_k": 19.0, "next_in_s": 1500.0}  # fmt: skip
NOT_ALLOWED: Final = QUENCH | {"rise_k": 90.0, "after_c": 145.0, "allowed": False, "next_in_s": None, "reasons": [
    {"code": "too_hot", "text": "The oil would go to 145 °C; its limit is 90 °C."}]}  # fmt: skip
STEEL: Final[Mapping[str, Any]] = {
    "stock": [BAR], "stock/1": BAR, "stock/1/ladder": LADDER, "stock/1/filetests": TESTS, "pieces": [PIECE],
    "pieces/3": PIECE | {"piece_steps": [], "quenches": [
        {"id": 1, "piece_id": 3, "at": _time(BEGAN), "mono_s": 9.0, "declared": True, "mass_kg": 0.42, "part_c": 850.0,
         "oil": "Demo quench oil", "before_c": 52.1, "after_c": 61.4, "note": ""}], "declared_quenches": [
        {"at": _time(BEGAN), "who": "device 1", "mass_kg": 0.42, "part_c": 850.0}],
        "file_tests": TESTS["tests"], "runs": [LINE | {"tempers": ANSWERS["runs/7"]["tempers"]}]},
    "plan/choices": {"uses": USES, "origins": ["axle", "bolt"], "media": ["air", "oil", "water", "brine"],
                     "one_file": ["skates", "cuts hard", "cuts easily"]},
    "tank/margins": {"oil": "Demo quench oil", "bath_min_c": 40.0, "bath_max_c": 65.0, "ceiling_c": 75.0,
                     "limit_c": 90.0, "trip_c": 110.0, "flash_point_c": 180.0},
}  # fmt: skip


class Script:
    """What the fake says and what it was asked. `silent`: the stream stands still, as over a broken network."""

    def __init__(self, state: str, role: str = "operator", mode: str = "shop") -> None:
        self.state = state
        self.role = role
        self.mode = mode
        self.silent = False
        self.refuses = False
        self.paired = True
        self.record_trouble: str | None = None
        self.ended = threading.Event()
        self.asked: list[tuple[str, Any]] = []

    def status(self) -> dict[str, Any]:
        """The JSON of the present state, by the service's own hand."""
        mode: Any = self.mode
        speed = 4.0 if mode == "rehearsal" else 1.0
        return status(
            STATES[self.state](), 0.1, mode=mode, units="C", now=datetime.now(UTC), speed=speed,
            record_trouble=self.record_trouble,
        )  # fmt: skip

    def answer(self, path: str) -> Any:
        if path == "status":
            return self.status()
        if path == "devices":
            own = {"id": 1, "label": "Shop phone", "role": self.role, "created_at": _time(BEGAN), "revoked_at": None}
            other = own | {"id": 2, "label": "<b>other</b>", "role": "viewer", "this": False}
            return [own | {"this": True}, other]
        return ANSWERS.get(path, STEEL.get(path))


def handler(script: Script) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *words: object) -> None:
            """Nothing on the terminal."""

        def reply(self, code: int, kind: str, data: bytes) -> None:
            self.send_response(code)
            for name, value in SECURITY_HEADERS.items():
                self.send_header(name, value)
            self.send_header("content-type", f"{kind}; charset=utf-8")
            self.send_header("content-length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def plain(self, code: int, value: Any) -> None:
            self.reply(code, "application/json", json.dumps(value).encode())

        def do_GET(self) -> None:
            path = self.path.partition("?")[0]
            if path == "/" or path.startswith("/page/"):
                file = PAGE / (path.removeprefix("/page/") if path != "/" else "index.html")
                if file.is_file():
                    self.reply(200, TYPES[file.suffix], file.read_bytes())
                else:
                    self.plain(404, {"title": "Not found"})
            elif not script.paired:
                self.plain(401, {"title": "Not paired", "reasons": [{"code": "not_paired", "text": "Not paired."}]})
            elif path == "/api/v1/stream":
                self.stream()
            elif path == "/api/v1/runs/7/trace.csv":
                self.reply(200, "text/csv", trace_csv().encode())
            else:
                found = script.answer(path.removeprefix("/api/v1/"))
                self.plain(404 if found is None else 200, found)

        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers.get("content-length", "0"))) or b"{}")
            path = self.path.removeprefix("/api/v1/")
            if path == "oven/forecast":
                begins, ends = datetime.now(UTC) + timedelta(minutes=30), datetime.now(UTC) + timedelta(minutes=90)
                self.plain(200, {"soak_begins_at": _time(begins), "soak_begins_error_s": 450.0, "ends_at": _time(ends),
                                 "ends_error_s": 900.0, "too_long": False, "reason": None})  # fmt: skip
                return
            if path == "plan/quench":
                self.plain(200, QUENCH if body["mass_kg"] < 2 else NOT_ALLOWED)
                return
            script.asked.append((path, body))
            if path == "pair":
                script.paired = body["code"] == "ABCD2345"
                wrong = {"reasons": [{"code": "wrong_code", "text": "That code is not right, or it has run out."}]}
                self.plain(*((200, {"role": script.role}) if script.paired else (401, wrong)))
            elif path == "alerts/test":
                self.plain(202, {"channels": 2})
            elif script.refuses:
                self.plain(409, REFUSAL)
            elif path == "plan/sheet":
                self.plain(200, SHEET)
            elif path == "tank/quench":
                heavy = [{"code": "oil_enough", "text": "Too much steel for this oil: 90 °C is its limit."}]
                self.plain(200, {"phase": "in_band", "remarks": heavy if body.get("mass_kg", 0) > 2 else []})
            elif path.startswith("stock/"):
                self.plain(201, STEEL[path])
            else:
                self.plain(200, ANSWERS["rehearsal"] if path == "rehearsal" else {"run_id": 7, "phase": "heat_up"})

        def stream(self) -> None:
            self.send_response(200)
            self.send_header("content-type", "text/event-stream")
            self.end_headers()
            try:
                while not script.ended.is_set():
                    if not script.silent:
                        self.wfile.write(f"event: snapshot\ndata: {json.dumps(script.status())}\n\n".encode())
                        self.wfile.flush()
                    script.ended.wait(0.25)
            except OSError:
                return

    return Handler


@contextmanager
def fake(script: Script, port: int = 0) -> Iterator[str]:
    """A running fake; its address."""
    server = ThreadingHTTPServer(("127.0.0.1", port), handler(script))
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        script.ended.set()
        server.shutdown()
        server.server_close()
        thread.join()


if __name__ == "__main__":
    state, mode = [*sys.argv[1:], "soak", "shop"][:2] if len(sys.argv) != 2 else (sys.argv[1], "shop")
    with fake(Script(state, mode=mode), 8421) as address:
        sys.stdout.write(f"{address}\n")
        threading.Event().wait()
