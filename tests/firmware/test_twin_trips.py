"""Trips of the board twin: what latches, is stored, sounds, and what a hold of the reset button clears."""

from __future__ import annotations

import pytest

from controller.sim.board_store import TripStore
from tests.firmware.twin_rig import CONTACTOR, EVERYTHING, TRIP, Rig

MINUTE = 60_000
SOUNDER, AGITATOR = 1, 2


def sounds(rig: Rig) -> bool:
    return bool(rig.board.outputs & 8)


def tripped(bits: int = 512) -> Rig:
    """A board that boots with stored trips, at 500 ms, sensors good and cold."""
    store = TripStore()
    store.save(bits)
    rig = Rig(EVERYTHING, eeprom=bytes(store.cells))
    rig.until(500)
    assert rig.board.trips == bits
    return rig


# --- what trips -------------------------------------------------------------------------------------------


def test_a_trip_takes_both_heaters_opens_the_contactor_and_disarms() -> None:
    rig = Rig().ready()
    rig.run(3_500, 500, 500)
    assert rig.duty(500, 500, CONTACTOR | TRIP) == 4
    assert rig.board.outputs & 7 == 0
    assert not rig.board.armed
    assert rig.telemetry()["trips"] == 512


def test_flag_16_is_stored_before_the_duty_is_looked_at_also_without_duty() -> None:
    rig = Rig().ready()
    assert rig.duty(0, 0, TRIP) == 0
    assert rig.board.trips == 512


def test_flag_16_in_an_s_that_is_not_good_does_nothing() -> None:
    rig = Rig().ready()
    rig.duty(0, 0)
    assert rig.duty(0, 0, TRIP, seq=rig.seq) == 3
    assert rig.duty(0, 0, TRIP, sid=rig.sid + 1) == 2
    assert rig.duty(0, 0, TRIP | 32) == 1
    assert rig.board.trips == 0


@pytest.mark.parametrize(("open_ms", "trips"), [(19, 0), (20, 16)])
def test_the_stop_circuit_trips_after_20_ms(open_ms: int, trips: int) -> None:
    rig = Rig(1)
    rig.until(500)
    rig.board.stop_closed = False
    rig.pass_ms(open_ms)
    rig.board.stop_closed = True
    rig.pass_ms(500)
    assert rig.board.trips == trips


def test_a_stop_circuit_that_is_open_at_the_boot_trips() -> None:
    rig = Rig()
    rig.board.stop_closed = False
    rig.board.reset()
    rig.pass_ms(19)
    assert rig.board.trips == 0
    rig.pass_ms(1)
    assert rig.board.trips == 16


@pytest.mark.parametrize(("closed_ms", "trips"), [(99, 0), (100, 64)])
@pytest.mark.parametrize("fitted", [True, False])
def test_smoke_trips_after_100_ms_where_it_is_fitted(closed_ms: int, trips: int, fitted: bool) -> None:
    rig = Rig(EVERYTHING if fitted else EVERYTHING - 512)
    rig.until(500)
    rig.board.smoke = True
    rig.pass_ms(closed_ms)
    rig.board.smoke = False
    rig.pass_ms(500)
    assert rig.board.trips == (trips if fitted else 0)


@pytest.mark.parametrize(("cold_ms", "trips"), [(0, 32), (119_000, 32), (121_000, 0)])
def test_lost_oil_trips_only_a_tank_that_had_heat_within_120_s(cold_ms: int, trips: int) -> None:
    rig = Rig(EVERYTHING).ready()
    rig.run(2_500, 0, 1000)
    assert rig.board.tank_on
    if cold_ms:
        rig.run(cold_ms - 100, 0, 0)
    rig.board.level_good = False
    rig.pass_ms(99)
    assert rig.board.trips == 0
    rig.pass_ms(1)
    assert rig.board.trips == trips
    assert not rig.board.tank_on


def test_without_oil_a_cold_tank_is_merely_unavailable() -> None:
    rig = Rig(EVERYTHING)
    rig.board.level_good = False
    rig.ready()
    rig.board.take_on_s()
    rig.run(3_000, 300, 700)
    oven_s, tank_s = rig.board.take_on_s()
    assert (oven_s > 0, tank_s, rig.board.trips) == (True, 0.0, 0)
    rig.board.level_good = True
    rig.run(3_000, 300, 700)
    assert rig.board.take_on_s()[1] > 0


@pytest.mark.parametrize(("sensor_fitted", "trips"), [(True, 128), (False, 0)])
def test_heater_current_while_off_trips_after_200_ms_where_fitted(sensor_fitted: bool, trips: int) -> None:
    rig = Rig(EVERYTHING if sensor_fitted else EVERYTHING - 32).ready()
    rig.run(1_000, 0, 0)
    rig.duty(0, 0)
    rig.board.set_welded(oven=True, tank=False)
    rig.pass_ms(199)
    assert rig.board.trips == 0
    rig.pass_ms(1)
    assert rig.board.trips == trips


def test_a_welded_relay_shows_in_the_off_part_of_a_window_and_not_behind_an_open_contactor() -> None:
    rig = Rig(EVERYTHING).ready()
    rig.board.set_welded(oven=True, tank=True)
    rig.run(2_000, 0, 0, 0)
    assert rig.board.trips == 0, "no current flows behind an open contactor"
    rig.board.set_welded(oven=True, tank=False)
    rig.run(1_000 - rig.board.uptime_ms % 1000, 801, 0, 0)
    rig.duty(801, 0)
    rig.pass_ms(150)
    assert rig.board.trips == 0
    for _ in range(20):
        rig.run(1000 - rig.board.uptime_ms % 1000, 801, 0)
        if rig.board.trips:
            break
    assert rig.board.trips == 128


# --- what is stored ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [1, 2, 4, 8, 16, 32, 64, 128, 512, 1 | 64 | 512])
def test_trips_survive_power_loss_and_resets(bits: int) -> None:
    rig = tripped(bits)
    rig.board.power_cut()
    rig.pass_ms(1_000)
    rig.board.power_on()
    assert rig.board.trips == bits
    rig.board.hang(1)
    rig.pass_ms(1_000)
    assert rig.board.trips == bits
    assert rig.greet()["sid"]
    assert rig.duty(1, 0) == 4


@pytest.mark.parametrize(("torn", "trips"), [(0, 512), (1, 256 | 512), (2, 256)])
def test_a_torn_record_boots_tripped(torn: int, trips: int) -> None:
    rig = tripped(512)
    rig.board.power_cut(torn_slots=torn)
    rig.board.power_on()
    assert rig.board.trips == trips
    rig.board.power_cut()
    rig.board.power_on()
    assert rig.board.trips == trips, "256 is stored too, and the slots are whole again"
    rig.pass_ms(500)
    rig.hold_reset()
    assert rig.board.trips == 0
    rig.board.power_cut()
    rig.board.power_on()
    assert rig.board.trips == 0


@pytest.mark.parametrize("place", range(12))
@pytest.mark.parametrize("bit", range(8))
def test_every_flipped_bit_of_the_store_boots_tripped(place: int, bit: int) -> None:
    store = TripStore()
    store.save(64)
    cells = bytearray(store.cells)
    cells[place] ^= 1 << bit
    assert Rig(EVERYTHING, eeprom=bytes(cells)).board.trips == 256 | 64


def test_a_blank_store_boots_tripped() -> None:
    assert Rig(eeprom=b"\xff" * 12).board.trips == 256
    assert Rig(eeprom=b"\x00" * 12).board.trips == 256


def test_a_cut_between_the_two_writes_keeps_the_newer_record() -> None:
    old, new = TripStore(), TripStore()
    new.save(4)
    assert Rig(eeprom=bytes(new.cells[:6] + old.cells[6:])).board.trips == 4
    assert Rig(eeprom=bytes(old.cells[:6] + new.cells[6:])).board.trips == 4


def test_a_store_of_the_wrong_size_is_refused() -> None:
    with pytest.raises(ValueError, match="11 bytes, it must have 12"):
        Rig(eeprom=b"\xff" * 11)


def test_a_trip_is_in_the_b_frame_of_the_next_boot() -> None:
    rig = tripped(64)
    rig.board.reset()
    rig.pass_ms(10)
    assert rig.heard[-1] == ["B", "1", "1", "2", "2", "64"]


# --- what sounds ------------------------------------------------------------------------------------------


def test_a_standing_trip_sounds_for_30_minutes_from_the_boot_with_the_host_dead() -> None:
    rig = tripped()
    assert sounds(rig)
    rig.until(30 * MINUTE - 1)
    assert sounds(rig)
    rig.pass_ms(1)
    assert not sounds(rig)


def test_a_new_bit_starts_the_30_minutes_anew() -> None:
    rig = tripped()
    rig.until(31 * MINUTE)
    assert not sounds(rig)
    rig.board.smoke = True
    rig.pass_ms(100)
    start = rig.board.uptime_ms
    assert sounds(rig)
    rig.until(start + 30 * MINUTE - 1)
    assert sounds(rig)
    rig.pass_ms(1)
    assert not sounds(rig)


def test_in_a_session_flag_1_decides() -> None:
    rig = tripped()
    rig.greet()
    assert not sounds(rig)
    rig.duty(0, 0, SOUNDER)
    assert sounds(rig)
    rig.duty(0, 0, 0)
    assert not sounds(rig)
    rig.pass_ms(2_000)
    assert sounds(rig), "the host fell silent within the 30 minutes"


def test_nothing_sounds_without_a_trip() -> None:
    rig = Rig()
    rig.pass_ms(5_000)
    assert not sounds(rig)


@pytest.mark.parametrize(("warm", "keeps"), [(6_500, False), (6_501, True)])
def test_sounder_and_agitator_keep_their_state_for_30_minutes_over_65_degrees(warm: int, keeps: bool) -> None:
    rig = Rig()
    rig.values[3] = warm
    rig.until(500)
    rig.greet()
    rig.duty(0, 0, SOUNDER | AGITATOR)
    assert rig.board.outputs == 8 | 16
    rig.pass_ms(1_999)
    assert rig.board.outputs == 8 | 16
    rig.pass_ms(1)
    assert rig.board.outputs == (8 | 16 if keeps else 0)
    rig.pass_ms(30 * MINUTE - 1)
    assert rig.board.outputs == (8 | 16 if keeps else 0)
    rig.pass_ms(1)
    assert rig.board.outputs == 0


def test_a_host_that_hears_nothing_and_greets_silences_no_trip() -> None:
    rig = tripped()
    rig.greet()
    rig.duty(0, 0, AGITATOR)
    rig.pass_ms(1_900)
    for _ in range(300):
        rig.greet()
        rig.pass_ms(100)
        assert rig.board.outputs == 8
        rig.pass_ms(200)
        assert rig.board.outputs == 8
    rig.duty(0, 0, AGITATOR)
    assert rig.board.outputs == 16, "whoever sends an S decides"
    rig.pass_ms(1_999)
    assert rig.board.outputs == 16
    rig.duty(0, 0, SOUNDER)
    rig.duty(0, 0, 0)
    assert rig.board.outputs == 0
    rig.pass_ms(1_900)
    rig.greet()
    rig.pass_ms(99)
    assert rig.board.outputs == 0
    rig.pass_ms(1)
    assert rig.board.outputs == 8
    rig.pass_ms(30 * MINUTE)
    assert rig.board.outputs == 0, "half an hour is enough"


def test_the_agitator_goes_on_with_a_trip_and_ends_when_the_oil_is_cool_without_one() -> None:
    rig = tripped()
    rig.greet()
    rig.duty(0, 0, AGITATOR)
    rig.pass_ms(10_000)
    assert rig.board.outputs == 8 | 16
    calm = Rig()
    calm.values[2] = 7_000
    calm.until(500)
    calm.greet()
    calm.duty(0, 0, AGITATOR)
    calm.pass_ms(10_000)
    assert calm.board.outputs == 16
    calm.values[2] = 6_400
    calm.pass_ms(200)
    assert calm.board.outputs == 0


def test_what_was_off_when_the_host_fell_silent_stays_off() -> None:
    rig = Rig()
    rig.values[2] = 8_000
    rig.until(500)
    rig.greet()
    rig.duty(0, 0, 0)
    rig.pass_ms(10_000)
    assert rig.board.outputs == 0


# --- what clears ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("held", "done"), [(1_999, 0), (2_000, 1), (30_000, 1)])
def test_a_hold_of_2_s_clears_once(held: int, done: int) -> None:
    rig = tripped()
    rig.hold_reset(held)
    assert rig.board.trips == (0 if done else 512)
    assert rig.telemetry()["resets"] == done


def test_a_hold_counts_also_with_nothing_to_clear() -> None:
    rig = Rig()
    rig.until(300)
    rig.hold_reset()
    rig.hold_reset()
    assert rig.telemetry()["resets"] == 2


def test_two_short_holds_are_no_long_one() -> None:
    rig = tripped()
    rig.hold_reset(1_500)
    rig.pass_ms(5)
    rig.board.reset_button = True
    rig.pass_ms(1_500)
    assert rig.board.trips == 512


def test_a_reset_button_that_is_jammed_since_the_boot_clears_nothing() -> None:
    rig = tripped()
    rig.board.reset_button = True
    rig.board.reset()
    rig.pass_ms(60_000)
    assert rig.board.trips == 512
    assert rig.telemetry()["resets"] == 0


@pytest.mark.parametrize(
    ("bit", "limit", "sensors"),
    [(1, 31_000, (0, 1)), (1, 20_000, (0, 1)), (2, 11_000, (2, 3)), (2, 8_000, (2, 3))],
)
def test_over_limit_clears_20_degrees_below_the_limit_in_force_on_all_good_sensors(
    bit: int, limit: int, sensors: tuple[int, int]
) -> None:
    for value, cleared in ((limit - 1_999, False), (limit - 2_000, True)):
        for sensor in sensors:
            rig = tripped(bit)
            rig.greet()
            assert rig.limit(0 if bit == 1 else 2, limit) == 0
            rig.values[sensor] = value
            rig.hold_reset()
            assert (rig.board.trips == 0) == cleared
            rig.faults[sensor] = "O"
            rig.hold_reset()
            assert rig.board.trips == 0, "a bad sensor has no say while the other one is good"


@pytest.mark.parametrize("bit", [1, 2])
def test_over_limit_stands_while_no_sensor_of_the_zone_is_good(bit: int) -> None:
    rig = tripped(bit)
    rig.faults = ["O"] * 5
    rig.hold_reset()
    assert rig.board.trips == bit


@pytest.mark.parametrize("bit", [2, 8])
def test_trips_of_a_zone_that_is_no_longer_fitted_clear(bit: int) -> None:
    store = TripStore()
    store.save(bit)
    rig = Rig(3, eeprom=bytes(store.cells))
    rig.until(500)
    rig.hold_reset()
    assert rig.board.trips == 0


@pytest.mark.parametrize(("bit", "sensor"), [(4, 0), (4, 1), (8, 2), (8, 3)])
def test_a_sensor_trip_clears_after_30_good_seconds(bit: int, sensor: int) -> None:
    rig = tripped(bit)
    rig.faults[sensor] = "O"
    rig.until(10_000)
    rig.faults[sensor] = "-"
    rig.until(39_999 - 2_100)
    rig.hold_reset()
    assert rig.board.trips == bit, "29.999 s after the last bad sample, at 10.000 s"
    rig.until(42_000)
    rig.hold_reset()
    assert rig.board.trips == 0
    again = tripped(bit)
    again.faults[sensor] = "O"
    again.until(10_000)
    again.faults[sensor] = "-"
    again.until(40_000 - 2_100)
    again.hold_reset()
    assert again.board.trips == 0


def test_sensors_are_not_known_to_be_good_before_30_s_after_the_boot() -> None:
    rig = tripped(4)
    rig.until(20_000)
    rig.hold_reset()
    assert rig.board.trips == 4


@pytest.mark.parametrize(("bit", "contact", "bad"), [(16, "stop_closed", False), (32, "level_good", False),
                                                      (64, "smoke", True)])  # fmt: skip
def test_inputs_clear_when_they_are_back(bit: int, contact: str, bad: bool) -> None:
    rig = tripped(bit)
    setattr(rig.board, contact, bad)
    rig.pass_ms(200)
    rig.hold_reset()
    assert rig.board.trips == bit
    setattr(rig.board, contact, not bad)
    rig.pass_ms(200)
    rig.hold_reset()
    assert rig.board.trips == 0


@pytest.mark.parametrize("bit", [256, 512])
def test_256_and_512_clear_always(bit: int) -> None:
    rig = tripped(bit)
    rig.hold_reset()
    assert rig.board.trips == 0


def test_a_hold_clears_only_the_bits_whose_cause_is_gone() -> None:
    rig = tripped(1 | 16 | 512)
    rig.board.stop_closed = False
    rig.pass_ms(100)
    rig.hold_reset()
    assert rig.board.trips == 16


@pytest.mark.parametrize(("after", "trips"), [(0, 0), (999, 0), (1_000, 512)])
def test_flag_16_is_not_stored_within_1_s_after_a_hold(after: int, trips: int) -> None:
    rig = tripped()
    rig.hold_reset()
    rig.greet()
    rig.pass_ms(after)
    rig.duty(0, 0, TRIP)
    assert rig.board.trips == trips


def test_after_the_hold_the_machine_can_be_armed_and_heated_again() -> None:
    rig = tripped()
    rig.hold_reset()
    rig.ready()
    rig.run(3_000, 1000)
    assert rig.board.oven_on
