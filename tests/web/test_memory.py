"""What a process remembers is given up as soon as something else than additions was written."""

import pytest
from sqlalchemy.orm import Session

from tests.api.plant import BY
from tests.support.site import JOINED_AT
from tracelog.audit import AuditRecord, Position, Subject, append, last_position
from tracelog.web.memory import Memory


def write(session: Session, action: str) -> None:
    append(session, BY, JOINED_AT, action, Subject("test", "one"))


@pytest.fixture
def memory(session: Session) -> Memory:
    write(session, "set up")
    memory = Memory()
    memory.keep("thing", 7, last_position(session))
    return memory


def test_additions_leave_it_as_it_is(session: Session, memory: Memory) -> None:
    for action in ("log entries", "record readings", "log entries"):
        write(session, action)
        assert memory.check_in_turn(session) == 0
    assert memory.recall("thing") == (7, 0)


def test_any_other_write_ends_it(session: Session, memory: Memory) -> None:
    write(session, "revoke token")
    write(session, "log entries")
    assert memory.check_in_turn(session) == 1
    assert memory.recall("thing") == (None, 1)
    assert memory.keep("thing", 8, last_position(session)) == 1
    assert memory.check_in_turn(session) == 1
    assert memory.recall("thing") == (8, 1)


def test_what_was_read_before_a_write_is_looked_at_again(session: Session, memory: Memory) -> None:
    before = last_position(session)
    write(session, "revoke token")
    assert memory.check_in_turn(session) == 1
    write(session, "log entries")
    memory.keep("new", 1, last_position(session))
    memory.keep("old", 2, before)
    assert memory.check_in_turn(session) == 2
    assert memory.recall("old") == (None, 2)


def test_a_trail_that_is_another_one_ends_it(session: Session, memory: Memory) -> None:
    write(session, "log entries")
    assert memory.check_in_turn(session) == 0
    session.query(AuditRecord).delete()
    write(session, "log entries")
    write(session, "log entries")
    assert memory.check_in_turn(session) == 1


def test_without_any_record_there_is_nothing_to_check_against(session: Session) -> None:
    memory = Memory()
    assert memory.check_in_turn(session) == 0
    memory.keep("thing", 7, Position(0, ""))
    assert memory.check_in_turn(session) == 0
    write(session, "set up")
    assert memory.check_in_turn(session) == 1


def test_one_thing_can_be_forgotten(memory: Memory) -> None:
    memory.forget("thing")
    memory.forget("other")
    assert memory.recall("thing") == (None, 0)
