"""The simulated shop as a whole: bytes in, time, bytes out; buttons and faults."""

from __future__ import annotations

from binascii import crc_hqx

import pytest

from controller.model import (
    FITTED_DOOR,
    FITTED_PART,
    FITTED_TANK,
    INPUT_AGITATOR_TURNING,
    INPUT_ARM_BUTTON,
    INPUT_ARMED,
    INPUT_DOOR_OPEN,
    INPUT_LEVEL_GOOD,
    INPUT_RESET_BUTTON,
    INPUT_SMOKE,
    INPUT_STOP_CLOSED,
    OUTPUT_CONTACTOR,
    OUTPUT_OVEN,
    TRIP_BITS,
    LoadItem,
)
from controller.sim.faults import FAULTS, MOMENTARY
from controller.sim.shop import FULL_KIT, Initial, SimShop

TICK_S = 0.25
CONTACTOR, AGITATOR = 4, 2
TRIPS = {name: bit for bit, name in TRIP_BITS.items()}


def frame(body: bytes) -> bytes:
    return b"!%b*%04X\n" % (body, crc_hqx(body, 0xFFFF))


class Host:
    """As little of a host as the board needs: a greeting, limits, a duty in every tick."""

    def __init__(self, shop: SimShop) -> None:
        self.shop = shop
        self.sid = self.seq = 0
        self.t: list[str] = []
        self.damaged = 0
        self.run(0.5, 0, 0)
        self.send_limits()

    def send_limits(self) -> None:
        data = b""
        for which, limit in ((0, 29_000), (1, 8_800), (2, 10_800)):
            self.seq += 1
            data += frame(b"L,%d,%d,%d,%d" % (self.sid, self.seq, which, limit))
        self.hear(self.shop.exchange(data, TICK_S))

    def run(self, seconds: float, oven: int, tank: int, flags: int = CONTACTOR) -> None:
        for _ in range(round(seconds / TICK_S)):
            if self.sid:
                self.seq += 1
                data = frame(b"S,%d,%d,%d,%d,%d" % (self.sid, self.seq, oven, tank, flags))
            else:
                data = frame(b"H,1,1")
            self.hear(self.shop.exchange(data, TICK_S))

    def hear(self, data: bytes) -> None:
        for line in data.split(b"\n"):
            body, _, crc = line[1:].partition(b"*")
            if not line:
                continue
            if crc != b"%04X" % crc_hqx(body, 0xFFFF):
                self.damaged += 1
                continue
            fields = body.decode().split(",")
            if fields[0] == "H":
                self.sid, self.seq = int(fields[4]), 0
            elif fields[0] == "T":
                self.t = fields

    def arm(self) -> None:
        self.shop.press("arm")
        self.run(1.0, 0, 0)

    @property
    def faults(self) -> str:
        return self.t[10]

    @property
    def inputs(self) -> int:
        return int(self.t[11])

    @property
    def outputs(self) -> int:
        return int(self.t[12])

    @property
    def trips(self) -> int:
        return int(self.t[15])


def armed(seed: int = 0, **kind: object) -> Host:
    host = Host(SimShop(seed, **kind))  # type: ignore[arg-type]
    host.arm()
    return host


def test_a_newly_built_shop_is_cold_disarmed_and_says_what_is_fitted() -> None:
    host = Host(SimShop(load=[LoadItem(1.0, 20.0)]))
    host.run(1.0, 1000, 1000)
    assert host.faults == "-----"
    assert host.inputs == INPUT_STOP_CLOSED | INPUT_LEVEL_GOOD
    assert host.outputs == 0
    assert host.shop.oven.energy_in_j == host.shop.tank.energy_in_j == 0.0
    assert host.shop.board.fitted == FULL_KIT


def test_armed_it_heats_what_is_asked() -> None:
    host = armed(load=[LoadItem(1.0, 20.0)])
    assert host.inputs & INPUT_ARMED
    host.run(300.0, 500, 300, CONTACTOR | AGITATOR)
    shop = host.shop
    assert shop.oven.energy_in_j == pytest.approx(300.0 * 0.5 * 1500.0, rel=0.03)
    assert shop.tank.energy_in_j == pytest.approx(300.0 * 0.3 * 1000.0, rel=0.01)
    assert shop.oven.air_c > 100.0
    assert shop.oven.core_c < shop.oven.air_c
    assert shop.tank.stirred
    assert host.inputs & INPUT_AGITATOR_TURNING
    assert int(host.t[13]) == pytest.approx(300_000 * 0.5 % 65_536, abs=2000)


def test_silence_ends_the_heat() -> None:
    host = armed()
    host.run(10.0, 1000, 0)
    assert host.shop.oven.power_w > 0.0
    host.shop.exchange(b"", 3.0)
    assert host.shop.oven.power_w == 0.0


def test_time_may_be_cut_into_any_pieces() -> None:
    whole, pieces = SimShop(3), SimShop(3)
    first = whole.exchange(b"", 12.0)
    second = b"".join(pieces.exchange(b"", dt_s) for dt_s in [0.0037] * 1000 + [0.5] * 16 + [0.3])
    assert pieces.now_s == pytest.approx(whole.now_s)
    assert first == second
    assert first.count(b"!T,") == 48


def test_the_same_seed_gives_the_same_bytes_and_another_does_not() -> None:
    def heard(seed: int) -> bytes:
        shop = SimShop(seed)
        shop.fault("frames_corrupted")
        return b"".join(shop.exchange(b"", TICK_S) for _ in range(200))

    assert heard(4) == heard(4)
    assert heard(4) != heard(5)


@pytest.mark.parametrize("seed", range(1, 9))
def test_drawn_shops_heat_without_a_trip(seed: int) -> None:
    print(f"seed {seed}")
    host = armed(seed, load=[LoadItem(0.5, 12.0)])
    host.run(120.0, 600, 400, CONTACTOR | AGITATOR)
    assert host.trips == 0
    assert host.shop.oven.air_c > 45.0
    assert int(host.t[5]) > 4_000
    assert int(host.t[7]) > 2_000


def test_buttons_are_let_go() -> None:
    host = Host(SimShop())
    host.shop.press("arm", held_s=1.0)
    host.run(0.75, 0, 0)
    assert host.inputs & INPUT_ARM_BUTTON
    host.run(1.0, 0, 0)
    assert not host.inputs & INPUT_ARM_BUTTON
    host.shop.press("reset")
    host.run(2.25, 0, 0)
    assert host.inputs & INPUT_RESET_BUTTON
    host.run(1.0, 0, 0)
    assert not host.inputs & INPUT_RESET_BUTTON
    assert int(host.t[18]) == 1
    with pytest.raises(ValueError, match="'arm' and 'reset'"):
        host.shop.press("stop")  # type: ignore[arg-type]


def test_sensor_trips_and_is_reset_by_hand() -> None:
    host = armed()
    host.run(10.0, 500, 0)
    host.shop.fault("oven_sensor_open")
    host.run(2.0, 500, 0)
    assert host.faults == "O----"
    assert host.trips == TRIPS["sensor_oven"]
    assert host.outputs & OUTPUT_OVEN == 0
    host.shop.fault("oven_sensor_open", False)
    host.run(32.0, 0, 0)
    host.shop.press("reset")
    host.run(4.0, 0, 0)
    assert host.trips == 0


@pytest.mark.parametrize("sensor", ["oven", "oven_limit", "tank", "tank_limit", "part"])
@pytest.mark.parametrize(("what", "letters"), [("open", "OOO"), ("short", "G-V"), ("dead", "XXX")])
def test_every_sensor_fails_as_its_chip_would_say(sensor: str, what: str, letters: str) -> None:
    """A MAX6675 knows no short: it reads the terminal block."""
    place = ["oven", "oven_limit", "tank", "tank_limit", "part"].index(sensor)
    for chip, letter in zip((31855, 6675, 31856), letters, strict=True):
        host = Host(SimShop(chip=chip, start_c=40.0))
        host.shop.fault(f"{sensor}_sensor_{what}")
        host.run(1.0, 0, 0)
        assert host.faults == "-" * place + letter + "-" * (4 - place)
        if letter == "-":
            assert int(host.t[4 + place]) == pytest.approx(100.0 * host.shop.probes.cold_c, abs=15)
        host.shop.fault(f"{sensor}_sensor_{what}", False)
        host.run(1.0, 0, 0)
        assert host.faults == "-----"


def test_a_welded_relay_heats_until_the_contactor_opens_and_a_welded_contactor_lets_it() -> None:
    host = armed()
    host.shop.fault("oven_relay_welded")
    host.run(60.0, 0, 0)
    assert host.outputs == OUTPUT_CONTACTOR
    assert host.shop.oven.energy_in_j == pytest.approx(60.0 * 1500.0, rel=0.05)
    host.run(5.0, 0, 0, flags=0)
    before_j = host.shop.oven.energy_in_j
    host.run(10.0, 0, 0, flags=0)
    assert host.shop.oven.energy_in_j == before_j
    host.shop.fault("contactor_welded")
    host.run(10.0, 0, 0, flags=0)
    assert host.shop.oven.energy_in_j == pytest.approx(before_j + 10.0 * 1500.0, rel=0.05)
    host.shop.fault("tank_relay_welded")
    host.run(10.0, 0, 0, flags=0)
    assert host.shop.tank.energy_in_j == pytest.approx(10.0 * 1000.0, rel=0.05)


def test_a_current_sensor_sees_the_welded_relay() -> None:
    host = armed(fitted=FULL_KIT | 32)
    host.shop.fault("oven_relay_welded")
    host.run(2.0, 0, 0)
    assert host.trips == TRIPS["stuck"]
    assert host.outputs & OUTPUT_CONTACTOR == 0


def test_contacts_reach_the_board() -> None:
    for fault, bit, shown in (
        ("door_open", INPUT_DOOR_OPEN, True),
        ("stop_pressed", INPUT_STOP_CLOSED, False),
        ("smoke", INPUT_SMOKE, True),
        ("level_low", INPUT_LEVEL_GOOD, False),
    ):
        host = Host(SimShop())
        host.run(1.0, 0, 0)
        assert bool(host.inputs & bit) is not shown
        host.shop.fault(fault)
        host.run(1.0, 0, 0)
        assert bool(host.inputs & bit) is shown
        host.shop.fault(fault, False)
        host.run(1.0, 0, 0)
        assert bool(host.inputs & bit) is not shown


def test_an_open_door_cools_the_oven_and_a_stuck_agitator_does_not_turn() -> None:
    host = armed(initial=Initial(oven_c=200.0))
    host.shop.fault("door_open")
    host.run(5.0, 0, 0)
    assert host.shop.oven.air_c < 170.0
    host.shop.fault("agitator_stuck")
    host.run(1.0, 0, 0, flags=AGITATOR)
    assert not host.shop.tank.stirred
    assert not host.inputs & INPUT_AGITATOR_TURNING


def test_a_hang_and_a_reboot_disarm() -> None:
    for fault, cause in (("board_hang", b",8,"), ("board_reboot", b",2,")):
        host = armed()
        host.run(5.0, 500, 0)
        host.shop.fault(fault)
        said = host.shop.exchange(b"", 1.0)
        boot = next(line for line in said.split(b"\n") if line.startswith(b"!B,"))
        assert cause in boot
        host.hear(said)
        assert not host.inputs & INPUT_ARMED
        assert host.shop.faults()[fault] is False


def test_without_power_the_board_is_silent_and_cold_until_it_returns() -> None:
    host = armed()
    host.run(5.0, 1000, 0)
    host.shop.fault("board_power_cut")
    assert host.shop.exchange(b"", 5.0) == b""
    assert host.shop.oven.power_w == 0.0
    host.shop.fault("board_power_cut", False)
    assert b"!B," in host.shop.exchange(b"", 1.0)


def test_a_pulled_cable_loses_both_ways() -> None:
    host = armed()
    host.run(5.0, 1000, 0)
    host.shop.fault("cable_pulled")
    assert host.shop.exchange(frame(b"H,1,1"), 3.0) == b""
    assert host.shop.oven.power_w == 0.0
    host.shop.fault("cable_pulled", False)
    assert b"!T," in host.shop.exchange(b"", 0.5)


def test_a_bad_line_damages_a_fifth_and_the_board_counts_it() -> None:
    host = Host(SimShop())
    host.shop.fault("frames_corrupted")
    host.run(100.0, 0, 0)
    assert 40 <= host.damaged <= 120
    assert int(host.t[21]) >= 40


def test_a_quench_and_a_fire_warm_the_oil() -> None:
    host = Host(SimShop(initial=Initial(tank_c=55.0)))
    host.shop.fault("quench")
    assert host.shop.faults()["quench"] is False
    host.run(60.0, 0, 0, flags=AGITATOR)
    assert host.shop.tank.upper_c > 65.0
    host.shop.fault("oil_fire")
    before_c = host.shop.tank.upper_c
    host.run(60.0, 0, 0, flags=AGITATOR)
    assert host.shop.tank.upper_c > before_c + 8.0


def test_the_terminal_block_can_get_too_hot() -> None:
    host = Host(SimShop())
    host.shop.fault("terminal_block_hot")
    host.run(1800.0, 0, 0)
    assert int(host.t[9]) > 7_000


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_every_fault_can_be_switched_on_and_off(name: str) -> None:
    host = armed(initial=Initial(oven_c=150.0, tank_c=50.0), load=[LoadItem(1.0, 20.0)])
    host.run(5.0, 400, 200, CONTACTOR | AGITATOR)
    host.shop.fault(name)
    assert host.shop.faults()[name] is (name not in MOMENTARY)
    host.run(5.0, 400, 200, CONTACTOR | AGITATOR)
    host.shop.fault(name, False)
    assert host.shop.faults()[name] is False
    assert not any(host.shop.faults().values())
    assert FAULTS[name].endswith(".")
    host.run(5.0, 0, 0, CONTACTOR | AGITATOR)
    assert host.faults == "-----"


def test_an_unknown_fault_lists_the_known_ones() -> None:
    shop = SimShop()
    with pytest.raises(ValueError, match="door_open"):
        shop.fault("gremlins")
    assert shop.fault_names() == tuple(FAULTS)


def test_what_is_not_there_is_not_fitted() -> None:
    shop = SimShop(part_sensor=False, oil=False)
    assert shop.board.fitted & (FITTED_PART | FITTED_TANK) == 0
    host = Host(SimShop(part_sensor=False, oil=False, fitted=FULL_KIT & ~FITTED_DOOR))
    host.run(1.0, 0, 0)
    assert host.faults == "--NNN"
    host.shop.fault("door_open")
    host.run(1.0, 0, 0)
    assert not host.inputs & INPUT_DOOR_OPEN


def test_a_load_is_put_in_cold() -> None:
    host = armed(initial=Initial(oven_c=180.0))
    assert not host.shop.oven.has_load
    host.shop.set_load([LoadItem(1.0, 20.0)])
    assert host.shop.oven.core_c == pytest.approx(20.0)
    host.run(60.0, 0, 0)
    assert 20.0 < host.shop.oven.core_c < 180.0
