"""What is scanned fills in the pad, with and without scripts, and never logs anything by itself."""

import pytest

from tests.defects.log_site import LogSite
from tests.defects.small_plant import ACTOR, WRITTEN_AT, code_fact, hour, write_code
from tests.support.markup import form_on, seen, wrong
from tracelog.db import writing
from tracelog.plant.actions import record_machines
from tracelog.plant.facts import (
    CoilFact,
    CoilRunFact,
    MachineFact,
    PalletFact,
    ToolFact,
    ToolFitFact,
)
from tracelog.plant.stock_actions import record_coil_runs, record_coils, record_pallets
from tracelog.plant.tool_actions import record_tool_fits, record_tools


@pytest.fixture
def floor(log_site: LogSite) -> LogSite:
    """The plant with a pallet, a coil, a necker, and a ring that moved from 1-1 to 1-12."""
    with writing(log_site.engine) as session:
        machine = MachineFact(line=1, station="necker", number=1)
        record_machines(session, [machine], ACTOR, WRITTEN_AT)
        tools = [ToolFact(serial=one, tool_type="ring-3") for one in ("R3-0412", "R3-0999")]
        record_tools(session, tools, ACTOR, WRITTEN_AT)
        fits = [
            ToolFitFact(serial="R3-0412", line=1, bodymaker=number, position="ring-3", fitted_at=at)
            for number, at in ((1, hour(1)), (12, hour(48)))
        ]
        record_tool_fits(session, fits, ACTOR, WRITTEN_AT)
        record_coils(session, [CoilFact(coil="K 77/4")], ACTOR, WRITTEN_AT)
        run = CoilRunFact(coil="K 77/4", line=1, started_at=hour(2))
        record_coil_runs(session, [run], ACTOR, WRITTEN_AT)
        pallet = PalletFact(pallet="0048213", line=2, started_at=hour(3))
        record_pallets(session, [pallet], ACTOR, WRITTEN_AT)
    return log_site


SCANS = [
    ("https://log.plant.example/m/1-12", {"line": "1", "number": "12"}, "machine 1-12"),
    ("HTTP://192.0.2.7:8000/m/01-2?log", {"line": "1", "number": "2"}, "machine 1-2"),
    ("https://plant.example/tracelog/m/1-12#x", {"line": "1", "number": "12"}, "machine 1-12"),
    ("https://log.plant.example/m/1-necker-1", {"found_at": "necker"}, "found at necker"),
    ("https://log.plant.example/t/R3-0412", {"line": "1", "number": "12"}, "now in 1-12"),
    ("R3-0412", {"line": "1", "number": "12"}, "tool R3-0412, now in 1-12"),
    ("1-12", {"line": "1", "number": "12"}, "dome code 1-12"),
    ("01/12", {"line": "1", "number": "12"}, "dome code 1-12"),
    ("0048213", {"pallet": "0048213"}, "pallet 0048213"),
    ("K 77/4", {"coil": "K 77/4"}, "coil K 77/4"),
]
UNKNOWN = [
    ("https://log.plant.example/m/7-1", "there is no line 7"),
    ("https://log.plant.example/m/1-40", "line 1 has no bodymaker 40"),
    ("https://log.plant.example/t/R3-0999", "tool R3-0999 is in no machine now"),
    ("R3-0999", "is no machine, dome code, pallet, coil or fitted tool"),
    ("https://elsewhere.example/", "is no machine, dome code, pallet, coil or fitted tool"),
    ("9-40", "is no machine, dome code, pallet, coil or fitted tool"),
    ("x" * 5000, "is no machine"),
    ("", "is no machine"),
]


@pytest.mark.parametrize(("text", "fields", "words"), SCANS)
def test_a_scan_is_told_as_fields_of_the_pad(
    floor: LogSite, text: str, fields: dict[str, str], words: str
) -> None:
    before = floor.counted()
    answer = floor.visit.client.get("/log/scan", query_string={"text": text})
    assert answer.status_code == 200
    told = answer.get_json()
    assert told["fields"] == fields
    assert words in told["sentence"]
    assert floor.counted() == before


@pytest.mark.parametrize(("text", "words"), UNKNOWN)
def test_what_nothing_bears_fills_in_nothing_and_is_told(
    floor: LogSite, text: str, words: str
) -> None:
    answer = floor.visit.client.get("/log/scan", query_string={"text": text})
    assert answer.status_code == 200
    assert answer.get_json()["fields"] == {}
    assert words in answer.get_json()["sentence"]


@pytest.mark.parametrize(("text", "fields", "words"), SCANS)
def test_without_scripts_a_scan_into_the_line_fills_the_pad_and_logs_nothing(
    floor: LogSite, text: str, fields: dict[str, str], words: str
) -> None:
    before = floor.counted()
    answer = floor.type(text)
    assert floor.counted() == before
    pad = form_on(answer.text, "/log")
    assert {name: pad[name] for name in fields} == fields
    if words.startswith("dome code"):
        assert (answer.status_code, list(wrong(answer))) == (422, ["typed"])
    else:
        assert answer.status_code == 200
        assert words in seen(answer.text)
        assert form_on(answer.text, "/log/typed")["typed"] == ""


@pytest.mark.parametrize(
    ("line", "code", "found_at"),
    [
        ("https://log.plant.example/m/1-12 split x2", "1-12", None),
        ("https://log.plant.example/t/R3-0412 split x2", "1-12", None),
        ("https://log.plant.example/m/1-necker-1 split x2 # seen", None, "necker"),
    ],
)
def test_a_scanned_label_begins_a_typed_line(
    floor: LogSite, line: str, code: str | None, found_at: str | None
) -> None:
    assert floor.type(line).status_code == 303
    kept = floor.last()
    assert (kept.dome_code, kept.defect, kept.cans) == (code, "split", 2)
    assert kept.found_at == found_at


def test_a_pallet_that_was_scanned_goes_with_the_typed_line(floor: LogSite) -> None:
    assert floor.type("1-2 split", pallet="0048213", coil="K 77/4").status_code == 303
    kept = floor.last()
    assert (kept.pallet, kept.coil) == ("0048213", "K 77/4")


def test_a_label_means_the_code_that_the_machines_cans_bear_now(floor: LogSite) -> None:
    with writing(floor.engine) as session:
        write_code(session, code_fact("1-19", (1, 2), 1))
    answer = floor.visit.client.get("/log/scan?text=https://log.plant.example/m/1-2")
    assert answer.get_json()["fields"] == {"line": "1", "number": "19"}
    page = floor.visit.get("/log?line=1&number=19").text
    assert form_on(page, "/log")["number"] == "19"
    assert floor.type("https://log.plant.example/m/1-2 split").status_code == 303
    kept = floor.last()
    assert kept.dome_code == "1-19"
    assert kept.machine is not None
    assert kept.machine.text == "1-2"


def test_who_has_not_signed_in_learns_nothing(floor: LogSite) -> None:
    floor.visit.post("/sign-out")
    assert floor.visit.get("/log/scan?text=1-2").status_code == 302
