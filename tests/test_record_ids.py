"""Ids of rows: what goes in comes out, and one that comes again is made once."""

import uuid

from sqlalchemy import literal, select, union_all
from sqlalchemy.orm import Session

from tracelog.db import RecordId


def test_ids_come_out_as_they_went_in_and_none_stays_none(session: Session) -> None:
    one, other = uuid.uuid4(), uuid.uuid4()
    rows = [select(literal(value, RecordId())) for value in (one, other, one)]
    found = session.execute(union_all(*rows)).scalars().all()
    assert sorted(found) == sorted((one, other, one))
    nothing = select(literal(None, RecordId()))
    assert session.execute(nothing).scalar_one() is None


def test_an_id_that_comes_again_is_one_object_on_sqlite(session: Session) -> None:
    known = uuid.uuid4()
    first, second = (
        session.execute(select(literal(known, RecordId()))).scalar_one() for _each in range(2)
    )
    assert first == second == known
    if session.get_bind().dialect.name == "sqlite":
        assert first is second
