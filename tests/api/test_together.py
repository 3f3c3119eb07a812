"""Entries that come at once share a transaction; each has its own answer and its own record."""

import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import event, func, select
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from tests.api.plant import BY, ZONE, Program, Site
from tests.support.databases import open_engine
from tests.support.site import JOINED_AT
from tests.support.writers import entry
from tracelog.audit import AuditRecord, take_turn
from tracelog.db import new_id, reading, writing
from tracelog.defects import together
from tracelog.defects.actions import record_defect_types
from tracelog.defects.facts import DefectTypeFact
from tracelog.defects.models import CurrentEntry, Entry
from tracelog.instants import now
from tracelog.keeping.integrity import look_over
from tracelog.people.actions import create_token, revoke_token
from tracelog.people.models import Token
from tracelog.people.queries import account_named

MANY = 12


@contextmanager
def commits(site: Site) -> Iterator[list[int]]:
    """Counts what is committed within."""
    count = [0]

    def note(_connection: Any) -> None:
        count[0] += 1

    event.listen(site.engine, "commit", note)
    yield count
    event.remove(site.engine, "commit", note)


def sent_at_once(site: Site, program: Program, bodies: Sequence[Any]) -> list[TestResponse]:
    """Send each from a thread of its own, all while somebody else has the turn to write."""
    answers: dict[int, TestResponse] = {}

    def send(place: int) -> None:
        answers[place] = program.post("/defects", bodies[place])

    threads = [threading.Thread(target=send, args=(place,)) for place in range(len(bodies))]
    with writing(site.engine) as session:
        take_turn(session)
        for thread in threads:
            thread.start()
        # Long enough for all to arrive; who comes later is a group of its own, which is right too.
        threading.Event().wait(1.0)
    for thread in threads:
        thread.join(60)
    return [answers[place] for place in range(len(bodies))]


def known(program: Program) -> None:
    """Have the program's token and the plant remembered."""
    for number in range(2):
        assert program.post("/defects", entry(number)).status_code == 201


def kept(session: Session, ids: Sequence[str]) -> Counter[str]:
    found = session.execute(select(Entry.id)).scalars()
    return Counter(str(one) for one in found if str(one) in ids)


def test_each_gets_its_own_answer_and_record_from_one_commit(site: Site, program: Program) -> None:
    known(program)
    bodies = [entry(number) for number in range(MANY)]
    with commits(site) as count:
        answers = sent_at_once(site, program, bodies)
    assert [(one.status_code, one.json) for one in answers] == [
        (201, {"status": "created", "id": body["id"]}) for body in bodies
    ]
    # The turn of the test itself is one.
    assert count[0] <= 1 + MANY // 2
    ids = [body["id"] for body in bodies]
    with reading(site.engine) as session:
        assert kept(session, ids) == dict.fromkeys(ids, 1)
        records = session.execute(
            select(AuditRecord, Entry).join(Entry, Entry.audit_id == AuditRecord.id)
        ).all()
        own = {str(row.Entry.id): row.AuditRecord for row in records if str(row.Entry.id) in ids}
        assert len({record.id for record in own.values()}) == MANY
        for body in bodies:
            record = own[body["id"]]
            assert (record.action, record.door, record.subject) == (
                "log entries",
                "api",
                body["id"],
            )
            assert f'"defect": "{body["defect"]}"' in record.after
        current = session.execute(select(CurrentEntry)).scalars()
        assert {str(one.entry_id) for one in current} >= set(ids)
    with writing(site.engine) as session:
        report = look_over(session, now(), rebuild=False)
        assert report.is_whole, report


def test_the_record_is_that_of_an_entry_that_came_alone(site: Site, program: Program) -> None:
    known(program)
    alone, together_ = entry(1), entry(1)
    assert program.post("/defects", [alone]).status_code == 201
    first = site.last_record()
    assert program.post("/defects", together_).status_code == 201
    second = site.last_record()
    for name in ("actor", "door", "action", "subject_kind", "before"):
        assert getattr(first, name) == getattr(second, name)
    assert str(first.after).replace(alone["id"], "") == str(second.after).replace(
        together_["id"], ""
    )


def test_who_is_wrong_or_says_it_twice_fails_alone(site: Site, program: Program) -> None:
    known(program)
    there, good = entry(0), [entry(number) for number in range(4)]
    assert program.post("/defects", there).status_code == 201
    wrong = [
        {**there, "cans": 9},
        there,
        {**entry(0), "defect": "nothing known"},
        {**entry(0), "dome_code": "9-1"},
        {**entry(0), "cans": "many"},
        [],
        ["no object"],
        {**good[0]},
    ]
    answers = sent_at_once(site, program, [*good[1:], *wrong, good[0]])
    statuses = [one.status_code for one in answers]
    assert statuses[:3] == [201] * 3
    assert statuses[3:10] == [409, 200, 422, 422, 422, 200, 422]
    assert sorted(statuses[10:]) == [200, 201]
    with reading(site.engine) as session:
        ids = [one["id"] for one in good]
        assert kept(session, ids) == dict.fromkeys(ids, 1)


def test_a_token_that_another_process_revoked_opens_nothing(site: Site) -> None:
    with writing(site.engine) as session:
        account = account_named(session, "ada")
        token = create_token(session, account, f"t{new_id()}", "administrator", BY, JOINED_AT)
    program = Program(site.app, token)
    known(program)
    other = open_engine(site.engine.url.render_as_string(hide_password=False))
    with writing(other) as session:
        newest = select(Token.id).order_by(Token.created_at.desc(), Token.id.desc()).limit(1)
        revoke_token(session, session.execute(newest).scalar_one(), BY, now())
    other.dispose()
    body = entry(3)
    assert program.post("/defects", body).status_code == 401
    assert program.post("/defects", body).status_code == 401
    with reading(site.engine) as session:
        assert not kept(session, [body["id"]])


def test_a_role_that_may_not_is_told_so(site: Site) -> None:
    with writing(site.engine) as session:
        account = account_named(session, "ada")
        token = create_token(
            *(session, account, f"t{new_id()}", "administrator", BY, JOINED_AT), scopes=["see"]
        )
    for _time in range(3):
        assert Program(site.app, token).post("/defects", entry(1)).status_code == 403


def test_what_another_process_set_up_is_known_at_once(site: Site, program: Program) -> None:
    known(program)
    name = f"defect {str(new_id())[-8:]}"
    body = {**entry(5), "defect": name}
    assert program.post("/defects", body).status_code == 422
    other = open_engine(site.engine.url.render_as_string(hide_password=False))
    with writing(other) as session:
        record_defect_types(session, [DefectTypeFact.read({"defect": name}, ZONE)], BY, now())
    other.dispose()
    assert program.post("/defects", body).status_code == 201


def test_a_group_that_the_database_refuses_goes_one_by_one(
    site: Site, program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    known(program)
    refused: list[int] = []

    def refuse(_session: Session, singles: Sequence[Any], _ground: Any) -> list[bool]:
        refused.append(len(singles))
        raise IntegrityError("INSERT", None, ValueError("one of them"))

    monkeypatch.setattr(together, "log_each", refuse)
    bodies = [entry(number) for number in range(4)]
    answers = sent_at_once(site, program, bodies)
    assert [one.status_code for one in answers] == [201] * 4
    assert sum(refused) == 4
    with writing(site.engine) as session:
        ids = [one["id"] for one in bodies]
        assert kept(session, ids) == dict.fromkeys(ids, 1)
        assert look_over(session, now(), rebuild=False).is_whole


def test_nobody_is_told_that_it_is_kept_before_the_commit(site: Site, program: Program) -> None:
    known(program)
    bodies = [entry(number) for number in range(4)]

    def fail(_connection: Any) -> None:
        raise OperationalError("COMMIT", None, OSError("disk is full"))

    before = site.counted()["audit_records"]
    event.listen(site.engine, "commit", fail)
    try:
        answers = [program.post("/defects", one) for one in bodies]
    finally:
        event.remove(site.engine, "commit", fail)
    assert {one.status_code for one in answers} == {503}
    with reading(site.engine) as session:
        assert not kept(session, [one["id"] for one in bodies])
        assert session.scalar(select(func.count()).select_from(AuditRecord)) == before
    again = [program.post("/defects", one) for one in bodies]
    assert [one.status_code for one in again] == [201] * 4


def test_an_entry_that_is_sent_again_is_the_same_one(program: Program) -> None:
    known(program)
    body = entry(2)
    answers = [program.post("/defects", body) for _time in range(3)]
    assert [one.status_code for one in answers] == [201, 200, 200]
    assert [(one.json or {})["status"] for one in answers] == ["created", "unchanged", "unchanged"]
