"""Whether a database is a demo's: its own audit trail says so, and every page then does, too."""

from enum import StrEnum

from flask import current_app
from sqlalchemy import Engine, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from tracelog.audit import AuditRecord, Subject
from tracelog.db import reading

DEMO = Subject("database", "demo")
_EXTENSION = "tracelog_is_demo"


class DemoState(StrEnum):
    """How far the demo of a database is."""

    NONE = "none"
    BEGUN = "begin demo"
    READY = "finish demo"


def demo_state(session: Session) -> DemoState:
    """Whether this database is a demo's, and whether it was filled to the end."""
    last = session.execute(
        select(AuditRecord.action)
        .where(AuditRecord.subject_kind == DEMO.kind, AuditRecord.subject == DEMO.name)
        .order_by(AuditRecord.sequence.desc())
        .limit(1)
    ).scalar_one_or_none()
    return DemoState(last) if last else DemoState.NONE


def is_demo_of(engine: Engine) -> bool | None:
    """Whether the database is a demo's; None: it cannot be asked just now."""
    try:
        with reading(engine) as session:
            return demo_state(session) is not DemoState.NONE
    except SQLAlchemyError:
        return None


def is_demo() -> bool:
    """Whether this application shows a demo; asked once in a process, since none becomes one."""
    known: bool | None = current_app.extensions.get(_EXTENSION)
    if known is None:
        known = is_demo_of(current_app.extensions["tracelog"].engine)
        current_app.extensions[_EXTENSION] = known
    return bool(known)
