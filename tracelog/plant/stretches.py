"""Rows of a big table inside many stretches of time at once: counted, or the first of each found.

Each stretch belongs to something (a machine, a line), and is looked up by itself in the index of
that thing and of time, however many rows the table holds.
"""

import json
import uuid
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    ARRAY,
    Integer,
    Uuid,
    bindparam,
    cast,
    column,
    func,
    literal_column,
    select,
    true,
    union_all,
)
from sqlalchemy.orm import Session

from tracelog.bulk import pieces
from tracelog.db import UtcInstant

# SQLite joins at most 500 queries into one statement, and a long one takes long to build.
_JOINED = 100


@dataclass(frozen=True)
class Stretch:
    """Time that belongs to a machine or a line; its end is not included."""

    owner_id: uuid.UUID
    start: datetime
    end: datetime


def sums_within(
    session: Session,
    stretches: Sequence[Stretch],
    owner: Any,
    moment: Any,
    measures: Sequence[Any] = (),
    conditions: Sequence[Any] = (),
) -> list[tuple[int, ...]]:
    """How many rows each stretch holds, and sums of them. One statement, none without stretches.

    Args:
        session: an open session.
        stretches: any number, in any order.
        owner, moment: columns of the table; it should have an index of the two.
        measures: columns to add up; those in that index cost next to nothing.
        conditions: what else must hold.

    Returns:
        For each stretch, in order, the number of rows and the sums.
    """
    if not stretches:
        return []
    asked = _as_table(session, stretches)
    sums = [func.coalesce(func.sum(one), 0) for one in measures]
    inside = (owner == asked.c.owner, moment >= asked.c.start, moment < asked.c.end, *conditions)
    if session.get_bind().dialect.name == "sqlite":
        # One text of all figures, since a subquery gives one value and a join would be sorted.
        figures = select(func.json_array(func.count(), *sums)).where(*inside)
        own = figures.correlate(asked).scalar_subquery()
        texts = session.execute(select(asked.c.number, own).select_from(asked))
        return [tuple(json.loads(text)) for _number, text in sorted(texts)]
    # By itself for each stretch: no plan that reads the table from end to end.
    columns = [func.count().label("rows")]
    columns += [one.label(f"sum_{place}") for place, one in enumerate(sums)]
    each = select(*columns).where(*inside).correlate(asked).lateral()
    rows = session.execute(select(asked.c.number, *each.c).select_from(asked).join(each, true()))
    return [tuple(int(one) for one in row[1:]) for row in sorted(rows)]


def keys_within(
    session: Session,
    stretches: Iterable[Stretch],
    owner: Any,
    moment: Any,
    key: Any,
    most: int,
    *,
    latest: bool = False,
    conditions: Sequence[Any] = (),
) -> list[tuple[datetime, Any]]:
    """Instants and keys of the first rows of each stretch, or of the latest.

    One statement for every hundred stretches.

    Args:
        session: an open session.
        stretches: where to look.
        owner, moment, key: columns of the table.
        most: how many of each stretch at most.
        latest: the latest instead of the first.
        conditions: what else must hold.
    """
    order = (moment.desc(), key.desc()) if latest else (moment, key)
    found: list[tuple[datetime, Any]] = []
    for piece in pieces(stretches, _JOINED):
        queries = []
        for one in piece:
            inside = (owner == one.owner_id, moment >= one.start, moment < one.end, *conditions)
            own = select(moment.label("moment"), key.label("key")).where(*inside)
            queries.append(select(own.order_by(*order).limit(most).subquery()))
        statement: Any = union_all(*queries) if len(queries) > 1 else queries[0]
        found += [(row[0], row[1]) for row in session.execute(statement)]
    return found


def enough(
    stretches: Sequence[Stretch], counts: Sequence[int], most: int, *, latest: bool = False
) -> Iterator[Stretch]:
    """The stretches that must be looked into for the first rows of all, or for the latest.

    Args:
        stretches: as counted.
        counts: rows in each.
        most: how many rows are wanted.
        latest: the latest instead of the first.
    """
    filled = [one for one in zip(stretches, counts, strict=True) if one[1] > 0]
    filled.sort(key=lambda one: one[0].end if latest else one[0].start, reverse=latest)
    had, edge = 0, None
    for stretch, count in filled:
        nearest = stretch.end if latest else stretch.start
        if edge is not None and (nearest <= edge if latest else nearest >= edge):
            return
        yield stretch
        had += count
        if had >= most:
            # Whatever lies wholly beyond this stretch has nothing nearer.
            far = stretch.start if latest else stretch.end
            edge = far if edge is None else (max if latest else min)(edge, far)


def _as_table(session: Session, stretches: Sequence[Stretch]) -> Any:
    if session.get_bind().dialect.name == "sqlite":
        return _as_json(stretches)
    numbers = list(range(len(stretches)))
    return (
        func.unnest(
            cast(numbers, ARRAY(Integer)),
            cast([one.owner_id for one in stretches], ARRAY(Uuid)),
            cast([one.start for one in stretches], ARRAY(UtcInstant)),
            cast([one.end for one in stretches], ARRAY(UtcInstant)),
        )
        .table_valued(
            column("number", Integer),
            column("owner", Uuid),
            column("start", UtcInstant),
            column("end", UtcInstant),
        )
        .render_derived()
    )


def _as_json(stretches: Sequence[Stretch]) -> Any:
    """As one text, since SQLite takes no arrays; instants and ids as its tables hold them."""
    rows = [
        [number, one.owner_id.hex, _as_kept(one.start), _as_kept(one.end)]
        for number, one in enumerate(stretches)
    ]
    each = func.json_each(bindparam("stretches", json.dumps(rows))).table_valued("value")
    kinds = (("number", Integer), ("owner", Uuid), ("start", UtcInstant), ("end", UtcInstant))
    return select(
        *(
            func.json_extract(each.c.value, literal_column(f"'$[{place}]'"), type_=kind).label(name)
            for place, (name, kind) in enumerate(kinds)
        )
    ).subquery("asked")


def _as_kept(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S.%f")
