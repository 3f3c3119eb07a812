"""What belongs to a case: every kind of thing is linked, told, and taken back."""

from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from tests.cases.small_case import BY, ZONE, opened, write_history
from tests.trends.small_log import WRITTEN_AT, day
from tracelog.audit import AuditRecord, broken_links
from tracelog.cases.actions import open_case
from tracelog.cases.complaints.actions import write_complaint
from tracelog.cases.complaints.facts import ComplaintFact
from tracelog.cases.facts import CaseFact
from tracelog.cases.links.actions import link, unlink
from tracelog.cases.links.facts import TARGETS, LinkFact, UnlinkFact
from tracelog.cases.links.queries import links_of
from tracelog.cases.models import CaseLink, SequenceCheck
from tracelog.db import new_id
from tracelog.defects.models import CurrentEntry, Photo
from tracelog.errors import BadFact, Conflict, NotFound, UnknownReference
from tracelog.outcomes import Became
from tracelog.plant.facts import CoilFact, PalletFact, ToolFact
from tracelog.plant.stock_actions import record_coils, record_pallets
from tracelog.plant.tool_actions import record_tools
from tracelog.trace.holds.actions import raise_hold
from tracelog.trace.holds.facts import HoldFact


def fact(case_id: Any, **said: Any) -> LinkFact:
    return LinkFact.read({"case": str(case_id), **said}, ZONE)


@pytest.fixture(autouse=True)
def _plant(session: Session) -> None:
    write_history(session)
    record_tools(session, [ToolFact.read({"serial": "R3-1"}, ZONE)], BY, WRITTEN_AT)
    record_coils(session, [CoilFact.read({"coil": "C-1"}, ZONE)], BY, WRITTEN_AT)
    pallet = {"pallet": "P-1", "line": 1, "started_at": day(1).isoformat()}
    record_pallets(session, [PalletFact.read(pallet, ZONE)], BY, WRITTEN_AT)
    raise_hold(session, HoldFact.read({"reason": "r", "pallets": ["P-1"]}, ZONE), BY, day(5))
    complaint = {"received_at": day(3).isoformat(), "note": "split cans"}
    write_complaint(session, ComplaintFact.read(complaint, ZONE), BY, day(5))


def named(session: Session) -> dict[str, Any]:
    """One thing of each kind but pictures and cans in order, as it is named."""
    entry_id = session.execute(select(CurrentEntry.entry_id).limit(1)).scalar_one()
    return {
        "machine": "1-2",
        "tool": "R3-1",
        "coil": "C-1",
        "pallet": "P-1",
        "hold": "1",
        "defect": "wrinkle",
        "entry": str(entry_id),
        "complaint": "1",
    }


def test_everything_that_can_be_linked_is_told_in_order(session: Session) -> None:
    case_id, things = opened(session), named(session)
    assert {*things, "photo", "sequence_check"} == set(TARGETS)
    for target, name in things.items():
        assert link(session, fact(case_id, **{target: name}), BY, day(6)).is_kept
    found = links_of(session, case_id)
    assert [one.target for one in found] == list(things)
    told = {one.target: one.name for one in found}
    assert told == things | {"entry": "1-1 split"}
    assert broken_links(session) == []


@pytest.mark.parametrize("target", TARGETS)
def test_a_thing_that_is_not_there_is_told_at_its_field(session: Session, target: str) -> None:
    case_id = opened(session)
    name = str(new_id()) if target in ("entry", "photo", "sequence_check") else "9-9"
    name = "99" if target in ("hold", "complaint") else name
    with pytest.raises(UnknownReference) as problem:
        link(session, fact(case_id, **{target: name}), BY, day(6))
    assert problem.value.field == target
    assert links_of(session, case_id) == []


def test_the_same_thing_is_linked_once_and_again_after_it_was_taken_back(session: Session) -> None:
    case_id, key = opened(session), new_id()
    first = fact(case_id, id=str(key), machine="1-2", note="seen there")
    assert link(session, first, BY, day(6)).became is Became.CREATED
    assert link(session, first, BY, day(6)).became is Became.UNCHANGED
    with pytest.raises(Conflict):
        link(session, fact(case_id, machine="1-2"), BY, day(6))
    with pytest.raises(Conflict):
        link(session, fact(case_id, id=str(key), machine="1-3"), BY, day(6))
    back = UnlinkFact.read({"id": str(key), "case": str(case_id), "reason": "wrong"}, ZONE)
    assert unlink(session, back, BY, day(7)).became is Became.CREATED
    assert unlink(session, back, BY, day(7)).became is Became.UNCHANGED
    (one,) = links_of(session, case_id)
    assert (one.stands, one.taken_back, one.note) == (False, "wrong", "seen there")
    assert link(session, fact(case_id, machine="1-2"), BY, day(8)).became is Became.CREATED
    actions = session.execute(select(AuditRecord.action).order_by(AuditRecord.sequence)).scalars()
    assert list(actions)[-3:] == ["link to case", "unlink from case", "link to case"]


def test_a_link_of_another_case_cannot_be_taken_back(session: Session) -> None:
    one, other, key = opened(session), opened(session), new_id()
    link(session, fact(one, id=str(key), machine="1-2"), BY, day(6))
    with pytest.raises(NotFound):
        unlink(
            session,
            UnlinkFact.read({"id": str(key), "case": str(other), "reason": "r"}, ZONE),
            BY,
            day(6),
        )


@pytest.mark.parametrize("said", [{}, {"machine": "1-1", "coil": "C-1"}])
def test_a_link_names_exactly_one_thing(said: dict[str, str]) -> None:
    with pytest.raises(BadFact):
        fact(new_id(), **said)


def test_a_case_is_linked_to_what_it_is_opened_from_or_is_not_opened(session: Session) -> None:
    things, case_id = named(session), new_id()
    said = {
        "id": str(case_id),
        "title": "from an entry",
        "defect": "split",
        "place": "1-1",
        "since_at": day(0).isoformat(),
        "entry": things["entry"],
        "complaint": "1",
    }
    assert open_case(session, CaseFact.read(said, ZONE), BY, day(6)).is_kept
    assert [one.target for one in links_of(session, case_id)] == ["entry", "complaint"]
    assert open_case(session, CaseFact.read(said, ZONE), BY, day(6)).became is Became.UNCHANGED
    assert session.execute(select(func.count()).select_from(CaseLink)).scalar_one() == 2


def test_links_know_the_tables_that_others_write(session: Session) -> None:
    """Pictures and cans in order are kept by their own rooms; a link finds them by id."""
    assert {Photo.__tablename__, SequenceCheck.__tablename__} <= {
        key.column.table.name for key in CaseLink.__table__.foreign_keys
    }
