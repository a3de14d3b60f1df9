"""The shop file: sound ones, and everything that can be wrong with one, said at once with what would be right."""

from __future__ import annotations

import re
from random import Random

import pytest

from controller.core.limits import derive
from controller.model import FITTED_OVEN, FITTED_OVEN_LIMIT, FITTED_TANK
from controller.settings import (
    FIRST_SHOP_FILE,
    Shop,
    ShopFileError,
    advice,
    conservative_shop,
    parse_shop,
    settings_table,
)
from controller.toml_text import MOST_CHARACTERS, TextError, read_toml

WHOLE = """
units = "F"
altitude_m = 1500

[oven]
heater_w = 1400
limit_c = 290
independent_cutout = "manual-reset thermostat, 320 °C"
boost_cap_c = 10
thermocouple = "N"

[tank]
heater_w = 800
heater_area_cm2 = 700.5
volume_l = 12
oil = "hearth"

[[oil]]
name = "hearth"
kind = "quench"
flash_point_c = 175
bath_min_c = 40
bath_max_c = 60
density_kg_per_l = 0.87
heat_capacity_j_per_kg_k = 1900
note = "bought in spring"

[circuit]
shared = false

[network]
names = ["forge.example", "192.168.1.20"]
port = 8500

[alerts]
quiet_from = "22:00"
quiet_until = "06:30"
"""

TEN_FAULTS = """\
units = "K"
altitude_m = nan
colour = "red"
[oven]
heater_w = true
limit_c = 2000
boost_cap_c = -3
limit_f = 550
[tank]
heater_w = 1000 W
volume_l = inf
oil = "canolla"
"""


def faults_of(text: str, **given: object) -> tuple[str, ...]:
    with pytest.raises(ShopFileError) as caught:
        parse_shop(text, **given)  # type: ignore[arg-type]
    return tuple(fault.text for fault in caught.value.faults)


def lines_about(text: str) -> tuple[str, ...] | None:
    try:
        parse_shop(text, known_oils={"canola"})
    except ShopFileError as error:
        return error.lines()
    return None


def only_fault(text: str) -> str:
    (fault,) = faults_of(text)
    return fault


def oven(*lines: str) -> str:
    return "\n".join(("[oven]", "heater_w = 1500", *lines))


def test_every_key_reaches_the_shop() -> None:
    shop = parse_shop(WHOLE)
    assert (shop.units, shop.altitude_m) == ("F", 1500.0)
    assert shop.oven is not None
    assert (shop.oven.heater_w, shop.oven.limit_c, shop.oven.boost_cap_c) == (1400.0, 290.0, 10.0)
    assert (shop.oven.independent_cutout, shop.oven.thermocouple) == ("manual-reset thermostat, 320 °C", "N")
    assert shop.tank is not None
    assert (shop.tank.heater_w, shop.tank.heater_area_cm2, shop.tank.volume_l) == (800.0, 700.5, 12.0)
    assert (shop.tank.oil, shop.tank.thermocouple) == ("hearth", "K")
    (oil,) = shop.oils
    assert (oil.kind, oil.flash_point_c, oil.bath_min_c, oil.bath_max_c) == ("quench", 175.0, 40.0, 60.0)
    assert not shop.circuit.shared
    assert (shop.network.names, shop.network.port) == (("forge.example", "192.168.1.20"), 8500)
    assert (shop.alerts.quiet_from, shop.alerts.quiet_until) == ("22:00", "06:30")


def test_every_key_has_its_default_but_the_required_ones() -> None:
    shop = parse_shop('[oven]\nheater_w = 1500\n[tank]\nheater_w = 0\nvolume_l = 10\noil = ""\n[[oil]]\n')
    assert (shop.units, shop.altitude_m, shop.network.port, shop.circuit.shared) == ("C", 0.0, 8420, True)
    assert shop.oven is not None
    assert (shop.oven.limit_c, shop.oven.boost_cap_c, shop.oven.independent_cutout) == (300.0, 12.0, "")
    texts = faults_of("[oven]\n[tank]\n")
    assert [text.split(" is missing")[0] for text in texts] == [
        "oven.heater_w",
        "tank.heater_w",
        "tank.volume_l",
        "tank.oil",
    ]
    assert all("right is" in text for text in texts)


def test_a_zone_that_is_not_named_is_not_there() -> None:
    assert parse_shop(oven()).tank is None
    assert parse_shop('[tank]\nheater_w = 0\nvolume_l = 5\noil = "canola"').oven is None


def test_ten_faults_are_ten_each_on_its_line_with_what_would_be_right() -> None:
    with pytest.raises(ShopFileError) as caught:
        parse_shop(TEN_FAULTS, known_oils={"canola", "olive"})
    faults = caught.value.faults
    lines = [fault.line for fault in faults]
    assert lines == [1, 2, 3, 5, 6, 7, 8, 10, 11, 12]
    # The unit behind a number is not TOML, and the key that it costs is not called missing as well.
    assert [fault.code for fault in faults] == [
        "wrong_type" if line == 5 else "unknown_key" if line in (3, 8) else "syntax" if line == 10
        else "not_allowed" if line == 12 else "out_of_range"
        for line in lines
    ]  # fmt: skip
    for fault in faults:
        assert "right is" in fault.text or "the keys are" in fault.text or "not a key here;" in fault.text or (
            fault.code == "syntax" and "a line holds one key = value" in fault.text
        )
    assert [line.startswith(f"shop.toml, line {fault.line}: ") for line, fault in
            zip(caught.value.lines(), faults, strict=True)] == [True] * 10  # fmt: skip


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (oven("limit_c = 2000"), "oven.limit_c is 2000; right is a number from 100 to 300 °C."),
        (oven("limit_c = 500"), "That looks like °F: 500 °F is 260 °C."),
        (oven("limit_c = 300.1"), "right is a number from 100 to 300 °C."),
        (oven("limit_c = nan"), "oven.limit_c is nan; right is"),
        (oven("limit_c = inf"), "oven.limit_c is inf; right is"),
        (oven("limit_c = -inf"), "oven.limit_c is -inf; right is"),
        (oven("limit_c = true"), "oven.limit_c is true; right is a number"),
        (oven('limit_c = "300"'), 'oven.limit_c is "300"; right is a number'),
        (oven("limit_c = 99999999999999999999999999"), "a number with far too many digits"),
        (oven("boost_cap_c = -1"), "right is a number from 0 to 25 K."),
        (oven('thermocouple = "S"'), 'right is "K" or "J" or "N" or "T".'),
        (oven("independent_cutout = 320"), "right is true, false or a description in quotes."),
        (oven("boost_c = 5"), "oven.boost_cap_c is (a number from 0 to 25 K)."),
        (oven("port = 80"), "it belongs under [network]."),
        (oven("zzz = 1"), "the keys are heater_w, limit_c"),
        (oven() + '\n[tank]\nheater_w = 1\nvolume_l = -2\noil = ""', "tank.volume_l is -2; right is a number from 1"),
        (oven() + "\n[circuit]\nshared = 1", "circuit.shared is 1; right is true or false."),
        (oven() + "\n[network]\nport = 0", "right is a whole number from 1 to 65535."),
        (oven() + "\n[network]\nport = 8420.0", "right is a whole number from 1 to 65535."),
        (oven() + '\n[network]\nnames = ["http://forge:80"]', "is no host name; right is"),
        (oven() + '\n[network]\nnames = "forge"', 'network.names is "forge"; right is a list of texts in quotes'),
        (oven() + "\n[network]\nnames = [1]", "network.names 1 is 1; right is a list of texts in quotes"),
        (oven() + '\n[alerts]\nquiet_from = "22:00"', "alerts.quiet_until is missing; right are both"),
        (oven() + '\n[alerts]\nquiet_from = "24:00"\nquiet_until = "06:00"', 'right is a time as "22:00"'),
        (oven() + "\n[[oil]]\nbath_min_c = 60\nbath_max_c = 50", "right is a number above bath_min_c, which is 60."),
        (oven() + '\n[[oil]]\nkind = "diesel"', 'oil 1: kind is "diesel"; right is "quench" or "vegetable"'),
        (oven() + '\n[[oil]]\nname = "a"\n[[oil]]\nname = "a"', 'oil 2: name is "a", which another [[oil]] has'),
        (oven() + '\n[[oil]]\nname = "a\\nb"', "right is text on one line"),
        (oven("heater_w = 1400"), "the key or table is there already"),
        ("oven = 3", "oven is 3; right is a table."),
        ("oil = [4]\n" + oven(), "oil 1 is 4; right is a table."),
    ],
)  # fmt: skip
def test_one_fault_is_one_sentence(text: str, says: str) -> None:
    assert says in only_fault(text)


def test_a_fault_in_one_key_hides_no_other_and_brings_up_no_false_one() -> None:
    texts = faults_of('[[oil]]\nbath_min_c = nan\nbath_max_c = 15\nflash_point_c = "?"\n[oven]\nheater_w = 50')
    assert [text.split(" is ")[0] for text in texts] == [
        "oil 1: bath_min_c",
        "oil 1: bath_max_c",
        "oil 1: flash_point_c",
        "oven.heater_w",
    ]


def test_an_empty_file_says_what_belongs_into_it() -> None:
    for text in ("", "\n\n", "# nothing\n", "\ufeff"):
        assert "neither [oven] nor [tank]" in only_fault(text)


def test_rubbish_is_refused_quickly_and_in_few_words() -> None:
    million = "x" * 1_000_000
    assert "1,000,000 characters" in only_fault(million)
    lines = faults_of("one word\n" * 5000)
    assert len(lines) == 21
    assert "not looked at" in lines[-1]
    for text in ("a = " + "[" * 20_000, "[oven]\nheater_w = " + "9" * 9000, "[oven]\nheater_w = 0x" + "f" * 9000):
        assert any("too long or too deep" in fault or "too many digits" in fault for fault in faults_of(text))


def test_no_text_raises_anything_but_a_shop_file_error() -> None:
    seed = 20_261
    rng = Random(seed)
    odd = ('"""', "nan", "0x", "[[", "]]", "\x00", "ü", "-", "=", "1e999", "{a=1}", "'")
    pieces = [*re.findall(r"\S+|\s", WHOLE), *odd]
    for trial in range(400):
        text = "".join(rng.choice(pieces) for _ in range(rng.randrange(60)))
        if rng.random() < 0.5:
            at = rng.randrange(len(WHOLE))
            text = WHOLE[:at] + text + WHOLE[at:]
        lines = lines_about(text)
        assert lines is None or (lines and all("\n" not in line for line in lines)), f"seed {seed}, trial {trial}"


def test_the_text_may_be_as_long_as_the_bound_and_no_longer() -> None:
    padded = oven() + "\n#" + "." * (MOST_CHARACTERS - len(oven()) - 2)
    assert len(padded) == MOST_CHARACTERS
    assert parse_shop(padded).oven is not None
    assert "characters" in only_fault(padded + ".")


def test_lines_are_found_behind_multi_line_texts_and_quoted_keys() -> None:
    text = '[oven]\nindependent_cutout = """\nheater_w = 1\n"""\n"heater_w" = -4\n'
    with pytest.raises(TextError) as caught:
        parse_shop(text)
    assert {(fault.where, fault.line) for fault in caught.value.faults} >= {("oven.heater_w", 5)}


def test_a_broken_line_costs_only_itself() -> None:
    parsed = read_toml('a = 1\nb = two\nc = 3\n[d]\ne = "open\nf = 4\n')
    assert parsed.tree == {"a": 1, "c": 3, "d": {"f": 4}}
    assert [fault.line for fault in parsed.faults] == [2, 5]
    assert parsed.lost == {("b",), ("d", "e")}


SECRET = "SECRETPW"
ADDRESSES = (
    f"mailto:smith:{SECRET}@mail.example", f"json://192.168.1.9/{SECRET}", f"smith:{SECRET}@mail.example",
    f'json://h" x="{SECRET}', f"json://h/a b {SECRET}",
)  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        'url = "{}', "url = '{}", 'url = {}', 'url = ["{}"', '"url" = "{}', 'urls = "{}', 'name = "a" url = "{}"',
        '{}"', 'url = ["{}"]', 'urls = "{}"',
    ],
)  # fmt: skip
@pytest.mark.parametrize("address", ADDRESSES)
def test_no_fault_of_a_channel_says_its_address(text: str, address: str) -> None:
    written = '[oven]\nheater_w = 1500\n[[alerts.channel]]\nname = "a"\n' + text.replace("{}", address) + "\n"
    with pytest.raises(ShopFileError) as found:
        parse_shop(written)
    assert SECRET not in str(found.value)


@pytest.mark.parametrize("text", ['[alerts]\nchannel = "{}"', '[alerts]\nchannel = ["{}"]', '[oven]\nheater_w = "{}"'])
@pytest.mark.parametrize("address", ADDRESSES)
def test_no_address_in_a_wrong_place_is_said(text: str, address: str) -> None:
    with pytest.raises(ShopFileError) as found:
        parse_shop(text.replace("{}", address) + "\n")
    assert SECRET not in str(found.value)


def test_a_broken_line_of_a_url_shows_its_key_alone() -> None:
    with pytest.raises(ShopFileError, match='"url = …" is not TOML: the closing quote is missing'):
        parse_shop(f'[[alerts.channel]]\nname = "a"\nurl = "{SECRET}\n')
    with pytest.raises(ShopFileError, match='"heater_w = 1500 W" is not TOML'):
        parse_shop("[oven]\nheater_w = 1500 W\n")


def test_a_broken_header_ends_the_reading_because_its_keys_would_land_elsewhere() -> None:
    parsed = read_toml("[oven\nheater_w = 4\n")
    assert parsed.tree == {}
    assert "not looked at" in parsed.faults[-1].text


@pytest.mark.parametrize(
    ("written", "stands"),
    [
        ("true", "fitted, not described"),
        ("false", ""),
        ('"none"', ""),
        ('"not fitted"', ""),
        ('""', ""),
        ('"320 °C"', "320 °C"),
    ],
)
def test_a_cut_out_counts_only_when_one_is_named(written: str, stands: str) -> None:
    shop = parse_shop(oven(f"independent_cutout = {written}"))
    assert shop.oven is not None
    assert shop.oven.independent_cutout == stands


def test_an_oil_that_is_not_known_is_a_fault_with_the_probable_one_or_all() -> None:
    tank = '[tank]\nheater_w = 900\nvolume_l = 10\noil = "{}"'
    assert parse_shop(tank.format("anything")).tank is not None
    assert parse_shop(tank.format("canola"), known_oils=["canola"]).tank is not None
    assert 'probably "canola"' in faults_of(tank.format("Kanola"), known_oils=["canola", "olive"])[0]
    assert "canola, olive" in faults_of(tank.format("xyz"), known_oils=["canola", "olive"])[0]
    for name in ("motor oil", "ATF", "used_oil", "Hydraulic"):
        assert "which is not heated" in faults_of(tank.format(name), known_oils=["canola"])[0]


def test_refused_kinds_are_sound_in_the_file_and_told() -> None:
    for kind in ("motor", "transmission", "used"):
        shop = parse_shop(oven() + f'\n[[oil]]\nname = "can"\nkind = "{kind}"')
        assert any(f"can: {kind} oil is not heated" in sentence for sentence in advice(shop))


@pytest.mark.parametrize(
    ("limit_c", "cap_c", "lowered", "setpoint_c"),
    [(300, 12, False, 260), (287, 12, False, 260), (286.9, 12, True, 260), (275, 12, True, 260), (274, 0, False, 259)],
)
def test_the_boost_is_lowered_and_the_setpoint_only_when_that_is_not_enough(
    limit_c: float, cap_c: float, lowered: bool, setpoint_c: float
) -> None:
    """The design's order: highest setpoint 260 <= limit - boost cap - 15."""
    shop = parse_shop(oven(f"limit_c = {limit_c}", f"boost_cap_c = {cap_c}", "independent_cutout = true"))
    told = " ".join(advice(shop))
    assert ("is lowered" in told) == lowered
    assert (f"{setpoint_c} °C is the highest setpoint" in told) == (setpoint_c < 260)
    limits = derive(shop, None)
    assert limits.boost_c(setpoint_c) >= 0.0
    assert setpoint_c + limits.boost_c(setpoint_c) + 15.0 <= limit_c


def test_a_heater_with_little_surface_is_told_and_one_with_far_too_little_refused() -> None:
    """3.1 and 1.2 W/cm²: 20 W/in² of a public heater guide, and 8 W/in² from memory."""
    tank = '[tank]\nheater_w = 1000\nvolume_l = 10\noil = ""\nheater_area_cm2 = {}'
    assert advice(parse_shop(tank.format(1000.0 / 1.19))) == ()
    assert "carries 1.2 W/cm²" in advice(parse_shop(tank.format(1000.0 / 1.21)))[0]
    assert "carries 3.1 W/cm²" in advice(parse_shop(tank.format(1000.0 / 3.09)))[0]
    assert "right is 323 cm² or more for 1000 W, or fewer watts" in only_fault(tank.format(1000.0 / 3.11))
    assert parse_shop(tank.format(323)).tank is not None
    assert "right is 968 cm² or more for 3000 W" in only_fault(tank.replace("1000", "3000").format(350))
    assert "tank.heater_w is nan" in only_fault(tank.replace("1000", "nan").format(350))
    cm2_per_square_inch = 2.54**2
    assert abs(20 / cm2_per_square_inch - 3.1) < 0.01
    assert abs(8 / cm2_per_square_inch - 1.2) < 0.05


@pytest.mark.parametrize("litres", ["0", "-1", "10_000", "1e9", "nan", "true"])
def test_a_tank_holds_one_to_four_hundred_litres(litres: str) -> None:
    fault = only_fault(f'[tank]\nheater_w = 900\nvolume_l = {litres}\noil = ""')
    assert fault.startswith("tank.volume_l is ")
    assert "right is a number from 1 to 400 L" in fault


def test_a_flash_point_that_looks_like_fahrenheit_is_asked_about() -> None:
    """Mineral quench oils flash at 135 to 220 °C (from memory): 275 to 428 °F."""
    own = oven() + '\n[[oil]]\nname = "mine"\nflash_point_c = {}\n'
    fault = faults_of(own.format(350), known_oils=[])[0]
    assert "is 350; is that °F? 350 °F is 177 °C" in fault
    assert "flash_point_confirmed" in fault
    assert "400 °F is 204 °C" in faults_of(own.format(400), known_oils=[])[0]
    assert parse_shop(own.format(220), known_oils=[]).oils[0].flash_point_c == 220.0
    assert parse_shop(own.format(330) + 'kind = "vegetable"', known_oils=[]).oils[0].flash_point_c == 330.0
    answered = own.format(300) + 'flash_point_confirmed = "R. Hale, 3 Mar 2026, data sheet of 2025"'
    assert parse_shop(answered, known_oils=[]).oils[0].flash_point_c == 300.0
    assert "right is who, when and which sheet" in only_fault(own.format(200) + 'flash_point_confirmed = "yes"')
    bounded = '[[oil]]\nname = "quench_fast"\nflash_point_c = 350\n' + oven()
    assert parse_shop(bounded, known_oils={"quench_fast"}).oils[0].flash_point_c == 350.0


def test_hot_quench_oils_are_refused_with_the_reason() -> None:
    tank = '[tank]\nheater_w = 900\nvolume_l = 10\noil = "{}"'
    for name in ("hot oil", "hot_oil", "martempering oil", "Marquench"):
        fault = faults_of(tank.format(name), known_oils=["canola"])[0]
        assert "105 to 190 °C" in fault
        assert "any water under it boils" in fault


def test_the_first_shop_file_is_sound_and_names_every_key() -> None:
    shop = parse_shop(FIRST_SHOP_FILE, known_oils=())
    assert shop.tank is None
    assert shop.oven is not None
    opened = re.sub(r"^# (?=\[|\w+ = )", "", FIRST_SHOP_FILE, flags=re.MULTILINE)
    everything = parse_shop(opened, known_oils={"canola"})
    assert everything.tank is not None
    assert everything.alerts.quiet_until == "06:30"
    for key in re.findall(r"^\| `([\w.\[\]]+)`", settings_table(), re.MULTILINE):
        name = key.split(".")[-1].removesuffix("[]")
        assert re.search(rf"(?m)^\W*(\w+\.)?{name}\b", opened), key


def test_the_commented_values_of_the_first_file_are_the_defaults() -> None:
    opened = re.sub(r"^# (?=(limit_c|boost_cap_c|thermocouple) = )", "", FIRST_SHOP_FILE, flags=re.MULTILINE)
    before = opened.split("# [tank]")[0]
    assert parse_shop(before).oven == parse_shop(FIRST_SHOP_FILE).oven


def test_the_table_of_settings_has_every_key_with_unit_default_and_meaning() -> None:
    rows = [line.split(" | ") for line in settings_table().splitlines()[2:]]
    keys = [row[0].strip("| `") for row in rows]
    some = {"units", "oven.limit_c", "tank.oil", "oil[].flash_point_c", "network.port", "alerts.quiet_from"}
    assert some <= set(keys)
    assert len(keys) == len(set(keys))
    by_key = dict(zip(keys, rows, strict=True))
    assert by_key["oven.limit_c"][1:4] == ["°C", "`300`", "a number from 100 to 300 °C"]
    assert by_key["oven.heater_w"][2] == "required"
    assert all(row[-1].strip(" |") for row in rows)


@pytest.mark.parametrize("fitted", [0, FITTED_OVEN | FITTED_OVEN_LIMIT, FITTED_TANK, FITTED_OVEN | FITTED_TANK])
def test_without_a_file_there_is_what_the_board_says_and_no_heat_for_the_tank(fitted: int) -> None:
    shop = conservative_shop(fitted)
    assert isinstance(shop, Shop)
    assert (shop.oven is not None) == bool(fitted & FITTED_OVEN)
    assert (shop.tank is not None) == bool(fitted & FITTED_TANK)
    assert shop.units == "C"
    if shop.oven:
        assert shop.oven.independent_cutout == ""
    if shop.tank:
        assert (shop.tank.oil, shop.tank.heater_w) == ("", 0.0)
        assert derive(shop, None).oil_refusal != ""


def test_a_shop_cannot_be_changed() -> None:
    shop = parse_shop(oven())
    with pytest.raises(ValueError, match="frozen"):
        shop.units = "F"  # type: ignore[misc]
