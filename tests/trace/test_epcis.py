"""EPCIS 2.0 events of pallets and coils, by the rules of the standard and by the plant's facts."""

import json
import uuid
from copy import deepcopy
from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy.orm import Session

from tests.support.statements import Statements
from tests.trace import two_lines as plant
from tests.trace.epcis_rules import faults
from tests.trace.two_lines import HOURS, hour
from tracelog.errors import NotFound, TracelogError
from tracelog.trace.epcis import offset_text
from tracelog.trace.epcis_names import Names, check_digit, checked_base, sscc_of
from tracelog.trace.epcis_queries import epcis_of_coil, epcis_of_pallet

BASE = "https://plant.example/epcis"
SSCC = "006141411234567890"


@pytest.fixture(autouse=True)
def _history(session: Session) -> None:
    plant.write_plant(session)
    plant.write_readings(session)
    plant.run_coil(session, "K-1", 1, 10, 20)
    plant.run_coil(session, "K-2", 1, 20, 30)
    plant.run_coil(session, "K-1", 2, 40, 50)
    plant.fill_pallet(session, "W-1", 1, 21, 21.5)
    plant.fill_pallet(session, SSCC, 1, 25, 25.5)


def pallet(session: Session, number: str, base: str | None = BASE, at: float = HOURS) -> Any:
    return json.loads(json.dumps(epcis_of_pallet(session, number, base, hour(at))))


def events(document: Any) -> list[Any]:
    found: list[Any] = document["epcisBody"]["eventList"]
    return found


@pytest.mark.parametrize("base", [BASE, "urn:example:plant", None])
@pytest.mark.parametrize("number", ["W-1", SSCC])
def test_documents_keep_the_rules_of_the_standard(
    session: Session, base: str | None, number: str
) -> None:
    assert faults(pallet(session, number, base)) == []
    assert faults(epcis_of_coil(session, "K-1", base, hour(HOURS))) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schemaVersion",), "1.2"),
        (("epcisBody", "eventList", 0, "bizStep"), "ironing"),
        (("epcisBody", "eventList", 0, "eventTimeZoneOffset"), "+1:00"),
        (("epcisBody", "eventList", 0, "eventTime"), "2026-02-03T04:00:00"),
        (("epcisBody", "eventList", 0, "eventID"), "no uri"),
        (("epcisBody", "eventList", 0, "hold"), 1),
        (("epcisBody", "eventList", 0, "epcList"), []),
    ],
)
def test_the_rules_find_what_is_wrong(
    session: Session, path: tuple[str | int, ...], value: object
) -> None:
    broken = deepcopy(pallet(session, "W-1"))
    place: Any = broken
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert faults(broken)


def test_a_pallet_tells_coils_cans_and_filling_in_order(session: Session) -> None:
    told = events(pallet(session, "W-1"))
    # Filled from 21:00 to 21:30 after the start, made 95 to 20 minutes before: both coils.
    assert [(one["type"], one["bizStep"]) for one in told] == [
        ("ObjectEvent", "commissioning"),
        ("ObjectEvent", "commissioning"),
        ("ObjectEvent", "commissioning"),
        ("TransformationEvent", "creating_class_instance"),
        ("AggregationEvent", "packing"),
    ]
    made, filled = told[3], told[4]
    assert made["inputEPCList"] == [f"{BASE}/obj/coil-K-1", f"{BASE}/obj/coil-K-2"]
    # 1-1 and 1-2 make 36,000 strokes an hour together, for 105 minutes.
    assert made["outputQuantityList"][0]["quantity"] == 36_000 * 105 // 60
    assert filled["parentID"] == f"{BASE}/obj/pallet-W-1"
    assert filled["childQuantityList"] == [
        {"epcClass": made["outputQuantityList"][0]["epcClass"], "quantity": 8169}
    ]
    assert filled["eventTime"] == "2026-02-03T03:30:00.000+01:00"


def test_a_pallet_that_is_not_filled_has_no_aggregation(session: Session) -> None:
    plant.fill_pallet(session, "W-9", 1, 28, None)
    kinds = {one["type"] for one in events(pallet(session, "W-9"))}
    assert kinds == {"ObjectEvent"}
    early = events(pallet(session, "W-1", at=21.2))
    assert "AggregationEvent" not in {one["type"] for one in early}


def test_a_coil_is_commissioned_once_and_observed_on_the_next_line(session: Session) -> None:
    told = events(epcis_of_coil(session, "K-1", BASE, hour(HOURS)))
    assert [(one["type"], one.get("action"), one["bizStep"]) for one in told] == [
        ("ObjectEvent", "ADD", "commissioning"),
        ("TransformationEvent", None, "creating_class_instance"),
        ("ObjectEvent", "OBSERVE", "loading"),
        ("TransformationEvent", None, "creating_class_instance"),
    ]
    quantities = [
        one["outputQuantityList"][0]["quantity"] for one in told if "outputQuantityList" in one
    ]
    assert quantities == [10 * 36_000, 10 * 12_000]


def test_the_same_fact_has_the_same_id_in_every_document(session: Session) -> None:
    def first(told: list[Any]) -> Any:
        return next(one for one in told if one["epcList"] == [f"{BASE}/obj/coil-K-1"])

    of_pallet = first(events(pallet(session, "W-1")))
    of_coil = first(events(epcis_of_coil(session, "K-1", BASE, hour(HOURS))))
    assert of_pallet == of_coil


def test_what_is_not_on_record_is_told(session: Session) -> None:
    with pytest.raises(NotFound, match="no pallet 'W-8'"):
        epcis_of_pallet(session, "W-8", None, hour(HOURS))
    with pytest.raises(NotFound, match="no run of coil 'K-8'"):
        epcis_of_coil(session, "K-8", None, hour(HOURS))


def test_the_number_of_statements_is_fixed(session: Session, statements: Statements) -> None:
    def counted() -> int:
        with statements.counted() as sent:
            pallet(session, "W-1")
        return len(sent)

    before = counted()
    for number in range(5):
        plant.run_coil(session, f"X-{number}", 1, 19.5 + number / 10, 19.55 + number / 10)
    assert counted() == before


@pytest.mark.parametrize(
    ("at", "offset"),
    [
        (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "+02:00"),
        (datetime(2026, 10, 25, 1, 30, tzinfo=UTC), "+01:00"),
        (datetime(2026, 3, 29, 0, 59, tzinfo=UTC), "+01:00"),
        (datetime(2026, 3, 29, 1, 0, tzinfo=UTC), "+02:00"),
    ],
)
def test_the_hour_that_occurs_twice_is_told_apart(at: datetime, offset: str) -> None:
    local = at.astimezone(plant.ZONE)
    assert offset_text(local) == offset
    assert local.isoformat().endswith(offset)


def test_offsets_before_greenwich_and_of_half_an_hour() -> None:
    from zoneinfo import ZoneInfo

    at = datetime(2026, 1, 1, 12, tzinfo=UTC)
    assert offset_text(at.astimezone(ZoneInfo("America/St_Johns"))) == "-03:30"
    assert offset_text(at) == "+00:00"


def test_an_sscc_is_known_by_its_check_digit() -> None:
    assert check_digit(SSCC[:-1]) == 0
    assert sscc_of(SSCC) == sscc_of("00" + SSCC) == sscc_of(f"(00) {SSCC}") == SSCC
    for wrong in ("006141411234567891", "1234", "W-1", "", "٠٠٦١٤١٤١١٢٣٤٥٦٧٨٩٠"):
        assert sscc_of(wrong) is None
    own = uuid.uuid4()
    names = Names(BASE, own)
    assert names.pallet(SSCC, own) == f"https://id.gs1.org/00/{SSCC}"
    assert names.pallet("W 1/ä", own) == f"{BASE}/obj/pallet-W%201%2F%C3%A4"
    assert Names(None, own).pallet("W-1", own) == f"urn:uuid:{own}"


@pytest.mark.parametrize(
    "base", ["plant", "ftp://plant.example", "https://", "urn:uuid:x", "https://a b"]
)
def test_a_base_that_is_no_uri_is_refused(base: str) -> None:
    with pytest.raises(TracelogError, match="is no base for identifiers"):
        checked_base(base)
    assert checked_base("https://plant.example/") == "https://plant.example"
    assert checked_base(None) is None
