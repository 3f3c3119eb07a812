"""The short addresses on labels: written for every machine and tool, and read back."""

import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.plant.addresses import (
    MachineLabel,
    ToolLabel,
    machine_address,
    read_address,
    read_machine_part,
    tool_address,
)
from tracelog.plant.queries import BODYMAKER, MachineView

NAMES = st.text(min_size=1, max_size=40).filter(lambda text: text.isprintable() and text.strip())


def machine(line: int, station: str, number: int) -> MachineView:
    return MachineView(uuid.uuid4(), uuid.uuid4(), line, station, number, None, None, None)


@pytest.mark.parametrize(
    ("of", "address"),
    [
        (machine(3, BODYMAKER, 7), "/m/3-7"),
        (machine(12, BODYMAKER, 112), "/m/12-112"),
        (machine(3, "necker", 1), "/m/3-necker-1"),
        (machine(3, "light-tester", 2), "/m/3-light-tester-2"),
    ],
)
def test_a_machine_has_one_short_address(of: MachineView, address: str) -> None:
    assert machine_address(of) == address
    read = read_address(f"https://log.plant.example{address}")
    assert read == MachineLabel(of.line, of.station, of.number)


@pytest.mark.parametrize(
    "text",
    [
        "https://log.plant.example/m/3-7",
        "http://192.0.2.4:8000/m/3-7?log",
        "HTTPS://LOG.PLANT.EXAMPLE/M/03-07",
        "https://plant.example/tracelog/m/3-7#here",
        "/m/3-7",
        " https://log.plant.example/m/3-7 ",
    ],
)
def test_a_label_is_read_whatever_site_it_was_printed_for(text: str) -> None:
    assert read_address(text) == MachineLabel(3, BODYMAKER, 7)


@pytest.mark.parametrize(
    "text",
    [
        *("", "3-7", "m/3-7", "https://log.plant.example/m/", "https://log.plant.example/m/seven"),
        *("https://log.plant.example/x/3-7", "ftp://log.plant.example/m/3-7", "/m/3-7 split"),
        *("https://log.plant.example/m/3-7/8", "https://log.plant.example/m/1234-7", "/t/"),
    ],
)
def test_what_is_no_label_is_none(text: str) -> None:
    assert read_address(text) is None


@pytest.mark.parametrize("text", ["3-7-", "-3-7", "3--7", "\u0663-7", "3", "3-necker-", "3-7\n"])
def test_a_part_that_names_no_machine_is_none(text: str) -> None:
    assert read_machine_part(text) is None


@given(NAMES)
def test_any_serial_comes_back_from_its_address(serial: str) -> None:
    address = "https://log.plant.example" + tool_address(serial)
    assert read_address(address) == ToolLabel(serial)


@given(st.integers(1, 999), NAMES, st.integers(1, 999))
def test_any_machine_comes_back_from_its_address(line: int, station: str, number: int) -> None:
    if station == BODYMAKER:
        return
    address = "https://log.plant.example" + machine_address(machine(line, station, number))
    assert read_address(address) == MachineLabel(line, station, number)
