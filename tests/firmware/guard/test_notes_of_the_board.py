"""The notes on the board agree with its sources."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from tests.firmware.guard.host import BOARD

NOTES = BOARD.parent


def pins() -> dict[str, str]:
    """Board number of each pin -> its name in pins.h."""
    text = (BOARD / "pins.h").read_text()
    found = re.findall(r"^#define (?:PIN|ADC)_(\w+) (?:[BCD], )?\d\s+/\* (\w+)", text, re.M)
    return {number: name for name, number in found}


def test_every_pin_is_used_once_and_stands_where_the_chip_has_it() -> None:
    text = (BOARD / "pins.h").read_text()
    found = re.findall(r"^#define PIN_(\w+) ([BCD]), (\d)\s+/\* (\w)(\d+)", text, re.M)
    assert len(found) == 20 == len({(port, bit) for _, port, bit, _, _ in found})
    for name, port, bit, letter, number in found:
        first = {"D": 0, "B": 8, "C": 0}[port]
        assert letter == ("A" if port == "C" else "D"), name
        assert int(number) == first + int(bit), name
    outputs = {number for number, name in pins().items() if name in ("OVEN_HEATER", "TANK_HEATER", "CONTACTOR")}
    assert not outputs & {"D0", "D1", "D13"}, "a bootloader moves those"


def test_the_pin_table_is_the_one_of_the_sources() -> None:
    text = (NOTES / "README.md").read_text()
    table = dict(re.findall(r"^\| ([AD]\d+) \| ([\w ]+?)(?: \(analogue\))? \|", text, re.M))
    assert table == {number: name.lower().replace("_", " ") for number, name in pins().items()}


def test_the_diagram_shows_every_pin() -> None:
    words = " ".join(ET.parse(NOTES / "wiring.svg").getroot().itertext()).split()
    shown = {word.strip(",") for word in words}
    assert set(pins()) - {"D0", "D1"} <= shown, "D0 and D1 are the USB line"


def test_links_lead_somewhere() -> None:
    for note in ("README.md", "contract.md"):
        for target in re.findall(r"\]\(([\w./]+)\)", (NOTES / note).read_text()):
            assert (NOTES / target).exists(), target
