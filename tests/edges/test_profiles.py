"""Profiles: what is shipped is sound and says where it comes from; programs from files and JSON; the oil's flash."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from random import Random
from typing import Any

import pytest

from controller.commands.shipped import Library, demo_shop_text, load_shipped, named, shipped_root, shop_of, unknown
from controller.core.limits import ALARM_BELOW_FLASH_K, DESIGN_BELOW_FLASH_K, SENSOR_BUDGET_K, derive
from controller.model import Oil, Program
from controller.profiles import (
    OilProfile,
    ProfileError,
    parse_oil,
    parse_program,
    parse_steel,
    program_schema_table,
    program_to_dict,
    tank_oil,
)
from controller.settings import parse_shop

MARKS = {"published", "computed here", "chosen here", "common practice, no source", "from memory"}

TANK = '[tank]\nheater_w = 900\nvolume_l = 10\noil = "{}"\n'


@pytest.fixture(scope="module")
def library() -> Library:
    return load_shipped()


def faults_of(source: Any) -> tuple[str, ...]:
    with pytest.raises(ProfileError) as caught:
        parse_program(source)
    return tuple(fault.text for fault in caught.value.faults)


def one(**keys: Any) -> dict[str, Any]:
    return {"tempers": [{"temperature_c": 205, "soak_min": 60, **keys}]}


def oil_for(library: Library, own: str = "", name: str = "canola") -> tuple[Oil, tuple[str, ...]]:
    oil, told = tank_oil(parse_shop(TANK.format(name) + own), library.oils)
    assert oil is not None
    return oil, told


def figures_of(value: Any, path: str = "") -> list[tuple[str, dict[str, Any]]]:
    """Every table that holds a figure or a statement, with its place."""
    if isinstance(value, dict):
        here = [(path, value)] if "mark" in value else []
        return here + [found for key, inner in value.items() for found in figures_of(inner, f"{path}.{key}")]
    if isinstance(value, (list, tuple)):
        return [found for index, inner in enumerate(value) for found in figures_of(inner, f"{path}[{index}]")]
    return []


# --- Shipped ---------------------------------------------------------------------------------------------


def test_the_shipped_profiles_are_all_there(library: Library) -> None:
    assert set(library.programs) == {"struck tool", "drift", "chisel", "hammer", "spring", "double temper"}
    assert {"canola", "quench_medium"} <= set(library.oils)
    assert {"1045", "1060", "1075", "1080", "1095", "4140", "5160", "O1", "S7", "W1"} <= set(library.steels)
    assert library.problems == ()
    assert not any("hot" in name or "motor" in name for name in library.oils)


def test_every_program_says_what_for_what_to_look_out_for_and_how_sure_it_is(library: Library) -> None:
    for program in library.programs.values():
        assert program.use, program.name
        assert program.note, program.name
        assert "common practice, no source" in program.source, program.name
        assert all(60.0 <= temper.temperature_c <= 260.0 for temper in program.tempers)


def test_the_two_values_of_common_practice(library: Library) -> None:
    """A shock-steel drift at about 232 °C for an hour, a punch near 260 °C: common practice, no source."""
    (drift,) = library.programs["drift"].tempers
    assert (drift.temperature_c, drift.soak_s) == (232.0, 3600.0)
    (punch,) = library.programs["struck tool"].tempers
    assert abs(punch.temperature_c - 260.0) <= 2.0
    first, second = library.programs["double temper"].tempers
    assert (first.temperature_c, first.soak_s) == (second.temperature_c, second.soak_s)
    assert first.cool_below_c < 60.0


def test_every_figure_of_oils_and_steels_has_its_source_and_mark(library: Library) -> None:
    for profile in [*library.oils.values(), *library.steels.values()]:
        found = figures_of(profile.model_dump())
        assert len(found) >= 7, profile.name
        for path, table in found:
            assert table["source"].strip(), (profile.name, path)
            assert table["mark"] in MARKS, (profile.name, path)
            if "from memory" in table["source"]:
                assert table["mark"] == "from memory", (profile.name, path)


def test_a_file_is_named_after_what_is_in_it(library: Library) -> None:
    for folder, known in (("programs", library.programs), ("oils", library.oils), ("steels", library.steels)):
        stems = {file.name.removesuffix(".toml") for file in (shipped_root() / folder).iterdir()}
        assert stems == {name.lower().replace(" ", "_") for name in known}


@pytest.mark.parametrize(
    ("name", "typical_c", "lowest_c"),
    [
        # Published: institute's table in °F (typical), certificate and page named in the profile (lowest).
        ("canola", 326, 290),
        ("olive", 321, 225),
        # Lowest from memory.
        ("soybean", 330, 282),
        ("peanut", 334, 282),
        ("sunflower", 319, 274),
        # Both from memory.
        ("quench_fast", 160, 135),
        ("quench_medium", 180, 160),
    ],
)
def test_flash_points(library: Library, name: str, typical_c: float, lowest_c: float) -> None:
    profile = library.oils[name]
    assert profile.flash_low_c.value == lowest_c
    assert profile.flash_typical_c is not None
    assert profile.flash_typical_c.value == typical_c
    published = {"canola", "olive"}
    assert (profile.flash_low_c.mark == "published") == (name in published)


def test_typical_flash_points_are_the_fahrenheit_values_of_the_published_table(library: Library) -> None:
    for name, fahrenheit in (("canola", 619), ("soybean", 626), ("peanut", 633), ("sunflower", 606)):
        flash = library.oils[name].flash_typical_c
        assert flash is not None
        assert abs(flash.value - (fahrenheit - 32) / 1.8) <= 0.6


def test_the_margins_are_differences_and_not_points() -> None:
    """29 CFR 1910.126(a)(2), published: 50 °F below the flash point; 100 °F for the bath is common practice."""
    assert ALARM_BELOW_FLASH_K >= 50 / 1.8 == pytest.approx(27.78, abs=0.01)
    assert DESIGN_BELOW_FLASH_K >= 100 / 1.8 == pytest.approx(55.56, abs=0.01)
    assert ALARM_BELOW_FLASH_K - 50 / 1.8 < 0.05
    assert DESIGN_BELOW_FLASH_K - 100 / 1.8 < 0.05
    # Flash point 290 °C: the published alarm point is 262.22 °C. Flash 150 °C, sensors 10 K: 84.44 °C.
    alarm_c, bath_c = 290 - ALARM_BELOW_FLASH_K, 150 - DESIGN_BELOW_FLASH_K - SENSOR_BUDGET_K
    assert 262.19 < alarm_c <= 262.22
    assert 84.39 < bath_c <= 84.44


def test_no_shipped_oil_comes_near_its_flash_point(library: Library) -> None:
    for name, profile in library.oils.items():
        own = '[[oil]]\nname = "quench_fast"\nflash_point_c = 140\n' if profile.needs_data_sheet else ""
        shop = parse_shop(TANK.format(name) + own)
        oil, _ = tank_oil(shop, library.oils)
        limits = derive(shop, oil)
        assert limits.oil_refusal == "", name
        assert limits.oil_ceiling_c is not None
        assert limits.tank_limit_c is not None
        assert limits.oil_trip_c is not None
        bath_c = limits.bath_target_c()
        assert bath_c is not None
        assert profile.bath_c.low <= bath_c <= profile.ceiling_c.value, name
        assert bath_c < limits.oil_ceiling_c <= limits.tank_limit_c <= limits.oil_trip_c
        flash_c = profile.flash_low_c.value
        assert limits.oil_ceiling_c <= flash_c - 100 / 1.8 - 10.0, name
        assert limits.oil_trip_c <= flash_c - 50 / 1.8 - 10.0, name


@pytest.mark.parametrize(
    ("grade", "temperature_c", "hrc"),
    [
        # Published, each with its source in the profile: an open data set (CC BY 4.0) and makers' data sheets.
        ("1045", 204.4, 56.3), ("1060", 260.0, 55.9), ("1075", 200.0, 60.7), ("1080", 204.4, 61.3),
        ("1084", 204.4, 61.3), ("1095", 200.0, 62.9), ("W1", 250.0, 58.5), ("O1", 205.0, 62.0), ("S7", 205.0, 57.0),
        ("4140", 204.4, 54.4), ("5160", 250.0, 52.2),
    ],
)  # fmt: skip
def test_tempering_tables(library: Library, grade: str, temperature_c: float, hrc: float) -> None:
    table = library.steels[grade].temper_tables[0]
    assert dict(zip(table.temperatures_c, table.hardness_hrc, strict=True))[temperature_c] == hrc
    assert table.mark == "published"
    for each in library.steels[grade].temper_tables:
        assert list(each.hardness_hrc) == sorted(each.hardness_hrc, reverse=True), "harder after more heat"


def test_the_demo_shop_is_sound_and_gives_heat_to_both_zones(library: Library) -> None:
    file = shop_of(demo_shop_text(), library)
    assert file.oil is not None
    assert file.oil.name == "canola"
    assert file.limits.oil_refusal == ""
    assert file.limits.oven_limit_c == 300.0
    assert file.limits.tank_heater_w > 0.0


def test_the_heater_s_sheath_is_shown(library: Library) -> None:
    """3.1 W/cm² in vegetable oil at rest, 60 °C: 92 K over the oil (computed in a study, another viscosity table)."""
    tank = TANK.format("canola").replace("900", "930") + "heater_area_cm2 = 300\n"
    (said,) = [one_ for one_ in shop_of(tank, library).advice if "sheath runs" in one_]
    found = re.search(r"about (\d+) K hotter.* near (\d+) °C in a bath of 60 °C", said)
    assert found
    assert float(found[1]) == pytest.approx(95.0, abs=6.0)
    assert float(found[2]) == pytest.approx(60.0 + float(found[1]), abs=1.0)
    for without in (TANK.format("canola"), tank.replace("930", "0"), tank.replace("canola", "mineral_white")):
        assert not any("sheath runs" in one_ for one_ in shop_of(without, library).advice)


# --- Programs --------------------------------------------------------------------------------------------


def test_a_program_needs_a_temperature_and_a_soak_and_nothing_else() -> None:
    program = parse_program(one())
    (temper,) = program.tempers
    assert (temper.temperature_c, temper.soak_s, temper.band_c, temper.cool_below_c) == (205.0, 3600.0, 5.0, 60.0)
    assert (temper.ramp_c_per_h, temper.prompt, program.until_equivalent) == (None, None, False)
    assert program.name == "205 °C for 60 min"


def test_file_and_json_say_the_same() -> None:
    text = 'name = "mine"\nuntil_equivalent = true\n[[tempers]]\ntemperature_c = 200.5\nsoak_min = 7.1\n'
    text += "ramp_c_per_h = 90\n"
    data = json.loads(
        '{"name": "mine", "until_equivalent": true, "tempers": [{"temperature_c": 200.5, "soak_min": 7.1,'
        ' "ramp_c_per_h": 90, "band_c": 5, "cool_below_c": 60, "prompt": null}]}'
    )
    assert parse_program(text) == parse_program(data)
    assert program_to_dict(parse_program(text))["tempers"] == data["tempers"]


def test_every_program_comes_back_as_it_was(library: Library) -> None:
    seed = 7
    rng = Random(seed)
    drawn = [
        parse_program(
            {
                "name": f"n{index}",
                "tempers": [
                    {
                        "temperature_c": rng.uniform(60, 260),
                        "soak_min": round(rng.uniform(1, 600), 2),
                        "ramp_c_per_h": rng.choice([None, rng.uniform(10, 2000)]),
                        "band_c": rng.uniform(1, 20),
                        "cool_below_c": rng.uniform(30, 150),
                        "prompt": rng.choice([None, "Turned?"]),
                    }
                    for _ in range(rng.randint(1, 6))
                ],
            }
        )
        for index in range(200)
    ]
    for program in [*library.programs.values(), *drawn]:
        again = parse_program(json.loads(json.dumps(program_to_dict(program), allow_nan=False)))
        assert again == program, f"seed {seed}"


@pytest.mark.parametrize("key", ["temperature_c", "soak_min", "ramp_c_per_h", "band_c", "cool_below_c"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, True, "205", -1, 0, 1e308, 10**400, [205], {}])
def test_no_number_that_is_none(key: str, value: Any) -> None:
    (fault,) = faults_of(one(**{key: value}))
    assert fault.startswith(f"tempers 1: {key} is ")
    assert "; right is a number from " in fault


@pytest.mark.parametrize(
    ("key", "low", "high"),
    [("temperature_c", 60, 260), ("soak_min", 1, 600), ("ramp_c_per_h", 10, 2000), ("band_c", 1, 20),
     ("cool_below_c", 30, 150)],
)  # fmt: skip
def test_the_ranges_hold_at_their_ends_and_not_beyond(key: str, low: float, high: float) -> None:
    for value in (low, high, (low + high) / 2):
        assert parse_program(one(**{key: value}))
    for value in (math.nextafter(low, -math.inf), math.nextafter(high, math.inf)):
        assert len(faults_of(one(**{key: value}))) == 1


def test_a_fahrenheit_number_is_recognised() -> None:
    (fault,) = faults_of(one(temperature_c=400))
    assert fault.endswith("That looks like °F: 400 °F is 204 °C.")
    assert "°F" not in faults_of(one(temperature_c=2000))[0]
    assert "°F" not in faults_of(one(temperature_c=50))[0]


def test_a_soak_in_seconds_is_recognised_and_one_of_forty_days_refused() -> None:
    assert "3600 s are 60 min" in faults_of(one(soak_min=3600))[0]
    (fault,) = faults_of(one(soak_min=40 * 24 * 60))
    assert fault == "tempers 1: soak_min is 57600; right is a number from 1 to 600 min."


def test_all_faults_of_a_program_at_once() -> None:
    faults = faults_of(
        {
            "name": "a\nb",
            "tempers": [
                {"temperature_c": 400, "soak_min": 0, "ramp": 5},
                {"soak_min": "60", "band_c": None},
                3,
            ],
            "until_equivalent": 1,
            "colour": "straw",
        }
    )
    assert len(faults) == 10
    assert {fault.split(" is ")[0] for fault in faults} == {
        "name", "tempers 1: temperature_c", "tempers 1: soak_min", "tempers 1: ramp", "tempers 2: temperature_c",
        "tempers 2: soak_min", "tempers 2: band_c", "tempers 3", "until_equivalent", "colour",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ({}, "tempers is missing; right is a list of 1 to 6 entries"),
        ("", "tempers is missing"),
        ([], "a list of 0 is no program; right is a table with its keys."),
        (None, "null is no program"),
        ({"tempers": []}, "tempers is a list of 0; right is a list of 1 to 6 entries."),
        ({"tempers": [{"temperature_c": 205, "soak_min": 60}] * 7}, "tempers is a list of 7; right is"),
        ({"tempers": {"temperature_c": 205}}, "tempers is a table; right is a list"),
        ({"tempers": None}, "tempers is null; right is a list"),
        (one() | {"name": "x" * 61}, "name is "),
        (one() | {"name": None}, "name is null; right is text in quotes"),
        (one() | {"until_equivalent": None}, "until_equivalent is null; right is true or false."),
        (one(prompt=""), "tempers 1: prompt is "),
        (one(prompt="a\x07b"), "right is text on one line"),
    ],
)
def test_shapes_that_are_no_program(source: Any, says: str) -> None:
    (fault,) = faults_of(source)
    assert says in fault


def test_a_megabyte_is_one_fault() -> None:
    (fault,) = faults_of("x" * 1_000_000)
    assert "1,000,000 characters" in fault


def test_the_table_of_program_keys_has_them_all(library: Library) -> None:
    table = program_schema_table()
    keys = program_to_dict(library.programs["drift"])
    for key in [*keys, *(f"tempers[].{inner}" for inner in keys["tempers"][0])]:
        assert f"| `{key}` |" in table


# --- Oils ------------------------------------------------------------------------------------------------


def test_the_lowest_flash_point_reaches_the_limits(library: Library) -> None:
    oil, told = oil_for(library)
    assert (oil.flash_low_c, oil.bath_max_c, told) == (290.0, 80.0, ())
    assert "published" in oil.source


def test_a_flash_point_from_memory_is_told(library: Library) -> None:
    _, told = oil_for(library, name="quench_medium")
    assert "160 °C, is from memory" in told[0]


def test_a_shop_may_lower_a_known_flash_point(library: Library) -> None:
    oil, told = oil_for(library, '[[oil]]\nname = "canola"\nflash_point_c = 250\nbath_max_c = 60\n')
    assert (oil.flash_low_c, oil.bath_max_c, oil.kind, told) == (250.0, 60.0, "vegetable", ())


def test_a_shop_never_raises_one_and_is_told(library: Library) -> None:
    oil, told = oil_for(library, '[[oil]]\nname = "canola"\nflash_point_c = 330\nbath_max_c = 95\n')
    assert (oil.flash_low_c, oil.bath_max_c) == (290.0, 80.0)
    assert len(told) == 2
    assert "stays in force" in told[0]


def test_a_higher_flash_point_takes_clean_oil_and_a_recorded_confirmation(library: Library) -> None:
    higher = '[[oil]]\nname = "quench_fast"\nflash_point_c = 175\n'
    confirmed = 'flash_point_confirmed = "R. Hale, 3 Mar 2026, data sheet of 2025"\n'
    for own, flash_c in (
        (higher, 135.0),
        (higher + confirmed, 135.0),
        (higher + 'condition = "clean"\n', 135.0),
        (higher + confirmed + 'condition = "used"\n', 135.0),
        (higher + confirmed + 'condition = "wet"\n', 135.0),
        (higher + confirmed + 'condition = "clean"\n', 175.0),
    ):
        oil, told = oil_for(library, own, "quench_fast")
        assert oil.flash_low_c == flash_c
        assert ("R. Hale" in told[0]) == (flash_c == 175.0), "who confirmed it is said wherever it is used"
    lower, told = oil_for(library, '[[oil]]\nname = "canola"\nflash_point_c = 240\ncondition = "clean"\n')
    assert (lower.flash_low_c, told) == (240.0, ())


@pytest.mark.parametrize("condition", ["used", "wet"])
def test_used_and_wet_oil_is_not_heated_whatever_its_flash_point(library: Library, condition: str) -> None:
    file = shop_of(TANK.format("canola") + f'[[oil]]\nname = "canola"\ncondition = "{condition}"\n', library)
    assert file.limits.oil is None
    assert condition in file.limits.oil_refusal
    assert file.limits.oil_trip_c is not None
    assert any("not heated" in sentence for sentence in file.advice)


def test_a_flash_point_that_looks_like_fahrenheit_over_a_profile_is_asked_about(library: Library) -> None:
    """Both from memory: the profile's flash points are 160 °C at the lowest and 180 °C usually; 356 °F is 180 °C."""
    oil, told = oil_for(library, '[[oil]]\nname = "quench_medium"\nflash_point_c = 356\n', "quench_medium")
    assert oil.flash_low_c == 160.0
    assert "Is it °F? 356 °F is 180 °C." in told[0]


@pytest.mark.parametrize(
    ("own", "range_c"),
    [
        ("bath_max_c = 35", (25.0, 35.0)),
        ("bath_min_c = 80", (40.0, 80.0)),
        ("bath_min_c = 30\nbath_max_c = 33", (23.0, 33.0)),
        ("bath_min_c = 75", (75.0, 80.0)),
    ],
)
def test_a_bath_range_that_closes_is_told_and_not_blamed_on_the_flash_point(
    library: Library, own: str, range_c: tuple[float, float]
) -> None:
    """The profile has 40 to 65 °C and a ceiling of 80 °C; the bath's setpoint stays 5 K below its ceiling."""
    file = shop_of(TANK.format("canola") + f'[[oil]]\nname = "canola"\n{own}', library)
    assert file.oil is not None
    assert (file.oil.bath_min_c, file.oil.bath_max_c) == range_c
    assert file.limits.oil_refusal == ""
    assert file.limits.oil_ceiling_c == range_c[1]
    closed = [sentence for sentence in file.advice if "leaves no range" in sentence]
    assert len(closed) == (0 if own == "bath_min_c = 75" else 1)


def test_a_known_oil_may_be_called_used_but_no_name_makes_a_refused_one_good(library: Library) -> None:
    shop = parse_shop(TANK.format("canola") + '[[oil]]\nname = "canola"\nkind = "used"\n')
    oil, _ = tank_oil(shop, library.oils)
    assert oil is not None
    assert oil.kind == "used"
    assert derive(shop, oil).oil is None


@pytest.mark.parametrize(("printed_c", "stands_c"), [(None, None), (130, 130.0), (150, 135.0)])
def test_fast_oil_waits_for_its_data_sheet(library: Library, printed_c: float | None, stands_c: float | None) -> None:
    own = f'[[oil]]\nname = "quench_fast"\nflash_point_c = {printed_c}\n' if printed_c else ""
    oil, _ = oil_for(library, own, "quench_fast")
    assert oil.flash_low_c == stands_c


def test_an_oil_of_the_shops_own(library: Library) -> None:
    oil, told = oil_for(library, '[[oil]]\nname = "mine"\nflash_point_c = 180\n', "mine")
    assert (oil.kind, oil.flash_low_c, oil.bath_min_c, oil.bath_max_c, told) == ("quench", 180.0, 40.0, 60.0, ())
    oil, _ = oil_for(library, '[[oil]]\nname = "mine"\n', "mine")
    assert oil.flash_low_c is None
    for line, bath in (("bath_min_c = 55", (55.0, 65.0)), ("bath_max_c = 45", (35.0, 45.0))):
        oil, _ = oil_for(library, f'[[oil]]\nname = "mine"\n{line}\n', "mine")
        assert (oil.bath_min_c, oil.bath_max_c) == bath


def test_no_oil_and_an_unknown_one_are_none(library: Library) -> None:
    assert tank_oil(parse_shop(TANK.format("")), library.oils) == (None, ())
    assert tank_oil(parse_shop("[oven]\nheater_w = 900"), library.oils) == (None, ())
    oil, told = tank_oil(parse_shop(TANK.format("tallow")), library.oils)
    assert oil is None
    assert "right is one of canola" in told[0]


def broken(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new, 1)


def test_faults_of_an_oil_file() -> None:
    text = (shipped_root() / "oils" / "canola.toml").read_text(encoding="utf-8")
    assert isinstance(parse_oil(text), OilProfile)
    for old, new, says in (
        ("value = 290", "value = 2900", "flash_low_c is a table; 2900 in it is not right; right is a number from 30"),
        ("value = 326", "value = 289", "right is a value not below flash_low_c, which is 290."),
        ("low = 40", "low = 66", "right is a number not below low, which is 66."),
        ('mark = "published"', 'mark = "sure"', 'flash_low_c.mark is "sure"; right is "published" or'),
        ('kind = "vegetable"', 'kind = "motor"', 'kind is "motor"; right is "quench" or "vegetable".'),
        ("value = 0.915", "value = nan", "density_kg_per_l.value is nan"),
    ):
        with pytest.raises(ProfileError) as caught:
            parse_oil(broken(text, old, new))
        (fault,) = caught.value.faults
        assert says in fault.text


def test_faults_of_a_steel_file() -> None:
    text = (shipped_root() / "steels" / "5160.toml").read_text(encoding="utf-8")
    for old, new, says in (
        ("250.0, 300.0", "300.0, 250.0", "each above the one before"),
        ("52.2, ", "", "right are 5 numbers, one for each temperature."),
        ("52.2", "true", "temper_table 1: hardness_hrc 1 is true"),
        ("52.2", "520", "right are numbers from 10 to 70 HRC."),
        ("value = 765", "value = 700", "right is a value not below ac1_c, which is 710."),
        ("c = 0.6", "c = 60", "composition.c is 60; right is a number from 0.05 to 2.5 %."),
    ):
        with pytest.raises(ProfileError) as caught:
            parse_steel(broken(text, old, new))
        (fault,) = caught.value.faults
        assert says in fault.text


# --- The user's own --------------------------------------------------------------------------------------


def write(path: Path, text: str | bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())


def test_own_profiles_add_and_replace_none(tmp_path: Path, library: Library) -> None:
    soak = "[[tempers]]\ntemperature_c = 190\nsoak_min = 45\n"
    root = tmp_path / "profiles"
    write(root / "programs" / "a.toml", f'name = "letter opener"\n{soak}')
    write(root / "programs" / "b.toml", f'name = "Struck-Tool"\n{soak}')
    write(root / "programs" / "c.toml", "[[tempers]]\ntemperature_c = 900\nsoak_min = 45\n")
    write(root / "programs" / "d.toml", b"\xff\xfe\x00")
    write(root / "programs" / "notes.txt", "not looked at")
    write(root / "oils" / "e.toml", (shipped_root() / "oils" / "canola.toml").read_text(encoding="utf-8"))
    found = load_shipped(tmp_path)
    assert set(found.programs) - set(library.programs) == {"letter opener"}
    assert found.programs["struck tool"] == library.programs["struck tool"]
    assert found.oils == library.oils
    assert [problem.split(":")[0].rsplit("/", 1)[1].split(",")[0] for problem in found.problems] == [
        "b.toml", "c.toml", "d.toml", "e.toml",
    ]  # fmt: skip
    assert "name" in found.problems[0]
    assert "right is a number from 60 to 260" in found.problems[1]
    assert "UTF-8" in found.problems[2]


def test_a_data_directory_without_profiles_is_no_problem(tmp_path: Path) -> None:
    assert load_shipped(tmp_path / "nowhere").problems == ()


def test_names_are_found_however_they_are_written(library: Library) -> None:
    for written in ("struck tool", "struck-tool", "Struck_Tool", "  STRUCK  TOOL "):
        found = named(written, library.programs)
        assert isinstance(found, Program)
        assert found.name == "struck tool"
    assert named("struck", library.programs) is None
    sentence = unknown("program", "chizel", library.programs)
    assert 'Probably "chisel" was meant.' in sentence
    assert all(name in sentence for name in library.programs)
