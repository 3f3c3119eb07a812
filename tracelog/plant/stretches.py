"""Rows of a big table inside many stretches of time at once: counted, or the first of each found.

Each stretch belongs to something (a machine, a line), and is looked up by itself in the index of
that thing and of time, however many rows the table holds.
"""

import json
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import (
    BigInteger,
    Integer,
    String,
    Uuid,
    bindparam,
    cast,
    func,
    literal_column,
    select,
    true,
)
from sqlalchemy.orm import Session

from tracelog.bulk import array_text, arrays_as_table
from tracelog.db import UtcInstant
from tracelog.instants import EARLIEST

_INSTANT = timedelta(microseconds=1)
# Stretches are cut where they hold so many times what is wanted, to about so many times that.
_WORTH_CUTTING, _CUT_TO = 6, 3
_MOST, _BEFORE_LAST = bindparam("most", type_=Integer), bindparam("before_last", type_=Integer)


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
    is_sqlite = _is_sqlite(session)
    build = _sums_query if conditions else _usual_sums_query
    query = build(owner, moment, tuple(measures), tuple(conditions), is_sqlite=is_sqlite)
    found: list[tuple[int, ...]] = [()] * len(stretches)
    for number, *figures in session.execute(query, _given(stretches, is_sqlite=is_sqlite)):
        found[number] = tuple(json.loads(figures[0]) if is_sqlite else figures)
    return found


def _sums_query(
    owner: Any,
    moment: Any,
    measures: tuple[Any, ...],
    conditions: tuple[Any, ...],
    *,
    is_sqlite: bool,
) -> Any:
    asked = _asked(is_sqlite=is_sqlite)
    sums = [func.coalesce(func.sum(one), 0) for one in measures]
    inside = (owner == asked.c.owner, moment >= asked.c.start, moment < asked.c.end, *conditions)
    if is_sqlite:
        # One text of all figures, since a subquery gives one value and a join would be sorted.
        figures = select(func.json_array(func.count(), *sums)).where(*inside)
        own = figures.correlate(asked).scalar_subquery()
        return select(asked.c.number, own).select_from(asked)
    # By itself for each stretch: no plan that reads the table from end to end.
    columns = [func.count().label("rows")]
    # PostgreSQL adds whole numbers up to a decimal one, which takes long to read.
    columns += [cast(one, BigInteger).label(f"sum_{place}") for place, one in enumerate(sums)]
    each = select(*columns).where(*inside).correlate(asked).lateral()
    return select(asked.c.number, *each.c).select_from(asked).join(each, true())


# To build a statement takes longer than the database needs for many; without conditions they are
# few, and are built once.
_usual_sums_query = cache(_sums_query)


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
    """Instants and keys of the first rows of all stretches, or of the latest, in that order.

    One statement, none without stretches.

    Args:
        session: an open session.
        stretches: where to look.
        owner, moment, key: columns of the table.
        most: how many at most; a row in several stretches is told once.
        latest: the latest instead of the first.
        conditions: what else must hold.
    """
    chosen = list(stretches)
    if not chosen:
        return []
    is_sqlite = _is_sqlite(session)
    build = _keys_query if conditions else _usual_keys_query
    columns = (owner, moment, key)
    query = build(columns, tuple(conditions), latest=latest, is_sqlite=is_sqlite)
    given = _given(chosen, is_sqlite=is_sqlite) | {"most": most, "before_last": most - 1}
    return [(row[0], row[1]) for row in session.execute(query, given)]


def _keys_query(
    columns: tuple[Any, Any, Any], conditions: tuple[Any, ...], *, latest: bool, is_sqlite: bool
) -> Any:
    """The statement; on SQLite ``before_last`` is one less than ``most``."""
    owner, moment, key = columns
    asked = _asked(is_sqlite=is_sqlite)
    inside = (owner == asked.c.owner, moment >= asked.c.start, moment < asked.c.end, *conditions)
    order = (moment.desc(), key.desc()) if latest else (moment, key)
    told = (moment.label("moment"), key.label("key"))
    if not is_sqlite:
        own = select(*told).where(*inside).order_by(*order).limit(_MOST)
        each = own.correlate(asked).lateral()
        return _first_of(select(*each.c).select_from(asked).join(each, true()), latest=latest)
    # Where in the index to stop is looked up first: each stretch is read just so far.
    farthest = select(moment).where(*inside).order_by(order[0]).limit(1).offset(_BEFORE_LAST)
    stop = farthest.correlate(asked).scalar_subquery()
    if latest:
        bounds = moment >= func.coalesce(stop, asked.c.start), moment < asked.c.end
    else:
        bounds = moment >= asked.c.start, moment <= func.coalesce(stop, asked.c.last)
    every = select(*told).where(owner == asked.c.owner, *bounds, *conditions)
    return _first_of(every, latest=latest)


_usual_keys_query = cache(_keys_query)


def _first_of(every: Any, *, latest: bool) -> Any:
    """The first of the first rows of each stretch, sorted by the database."""
    rows = every.distinct().subquery()
    moment, key = rows.c
    order = (moment.desc(), key.desc()) if latest else (moment, key)
    return select(moment, key).order_by(*order).limit(_MOST)


def nearest_keys(
    session: Session,
    stretches: Sequence[Stretch],
    counts: Sequence[int],
    columns: tuple[Any, Any, Any],
    most: int,
    *,
    latest: bool = False,
    conditions: Sequence[Any] = (),
) -> list[tuple[datetime, Any]]:
    """As `keys_within`, of stretches whose rows were counted: no more is read than it takes.

    One statement; a second one where rows are so bunched that the first found too few.

    Args:
        counts: rows in each stretch.
        columns: owner, moment and key of the table.
    """
    wanted = list(enough(stretches, counts, most, latest=latest))
    looked_into = set(wanted)
    total = sum(count for one, count in zip(stretches, counts, strict=True) if one in looked_into)
    part = nearest_part(wanted, total, most, latest=latest)
    found = keys_within(session, part, *columns, most, latest=latest, conditions=conditions)
    if len(found) >= most or part == wanted:
        return found
    return keys_within(session, wanted, *columns, most, latest=latest, conditions=conditions)


def latest_begun(
    session: Session,
    moments: Sequence[tuple[uuid.UUID, datetime]],
    *,
    owner: Any,
    moment: Any,
    columns: Sequence[Any],
    most: int,
    is_taken: Callable[[Any], Any],
) -> Sequence[Any]:
    """Of the last rows of each owner that had begun by an instant, those that are wanted.

    One statement, none without instants.

    Args:
        session: an open session.
        moments: owners, each with the instant (included).
        owner, moment: columns of the table.
        columns: what is read.
        most: how many of the last rows are looked at; those that began with the last of them too.
        is_taken: of them, which: a condition, given the column of the instant that was asked for; a
            function of a module, since the statement is built once for each.

    Returns:
        Rows of the columns, in no order; a row is there for each instant that takes it.
    """
    if not moments:
        return []
    is_sqlite = _is_sqlite(session)
    query = _begun_query((owner, moment), tuple(columns), is_taken, is_sqlite=is_sqlite)
    given = _given([Stretch(own, at, at) for own, at in moments], is_sqlite=is_sqlite)
    return session.execute(query, given | {"before_last": most - 1}).all()


@cache
def _begun_query(
    placed: tuple[Any, Any],
    columns: tuple[Any, ...],
    is_taken: Callable[[Any], Any],
    *,
    is_sqlite: bool,
) -> Any:
    owner, moment = placed
    asked = _asked(is_sqlite=is_sqlite)
    begun = (owner == asked.c.owner, moment <= asked.c.start)
    last = select(moment).where(*begun).order_by(moment.desc()).limit(1).offset(_BEFORE_LAST)
    since = func.coalesce(last.correlate(asked).scalar_subquery(), EARLIEST)
    wanted = select(*columns).where(*begun, moment >= since, is_taken(asked.c.start))
    if is_sqlite:
        return wanted
    each = wanted.correlate(asked).lateral()
    return select(*each.c).select_from(asked).join(each, true())


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


def nearest_part(
    stretches: Sequence[Stretch], total: int, most: int, *, latest: bool
) -> list[Stretch]:
    """The end of the stretches that holds what is wanted, if rows lie about evenly in them.

    Args:
        stretches: that must be looked into.
        total: rows in all of them.
        most: how many rows are wanted.
        latest: the latest instead of the first.

    Returns:
        Stretches cut to some three times as many rows as are wanted; the same where that is all.
        Rows may lie otherwise: only if the cut ones hold `most` rows are those the nearest.
    """
    if total <= _WORTH_CUTTING * most:
        return list(stretches)
    start, end = min(one.start for one in stretches), max(one.end for one in stretches)
    part = (end - start) * (_CUT_TO * most / total)
    first, last = (end - part, end) if latest else (start, start + part)
    cut = [Stretch(one.owner_id, max(one.start, first), min(one.end, last)) for one in stretches]
    return [one for one in cut if one.start < one.end]


def _is_sqlite(session: Session) -> bool:
    return session.get_bind().dialect.name == "sqlite"


def _asked(*, is_sqlite: bool) -> Any:
    """Stretches as a table, whose values `_given` tells; on SQLite also their last instants."""
    if is_sqlite:
        return _one_text()
    return arrays_as_table(number=Integer, owner=Uuid, start=UtcInstant, end=UtcInstant)


def _given(stretches: Sequence[Stretch], *, is_sqlite: bool) -> dict[str, Any]:
    if is_sqlite:
        return {"stretches": _as_json(stretches)}
    return {
        "number": array_text(range(len(stretches))),
        "owner": array_text(one.owner_id for one in stretches),
        "start": array_text(one.start for one in stretches),
        "end": array_text(one.end for one in stretches),
    }


def _one_text() -> Any:
    """As one text, since SQLite takes no arrays."""
    each = func.json_each(bindparam("stretches", type_=String)).table_valued("value")
    kinds = (
        *(("number", Integer), ("owner", Uuid)),
        *(("start", UtcInstant), ("end", UtcInstant), ("last", UtcInstant)),
    )
    return select(
        *(
            func.json_extract(each.c.value, literal_column(f"'$[{place}]'"), type_=kind).label(name)
            for place, (name, kind) in enumerate(kinds)
        )
    ).subquery("asked")


def _as_json(stretches: Sequence[Stretch]) -> str:
    """Ids and instants as SQLite's tables hold them."""
    # Many stretches begin and end together, such as those of a shift on each machine.
    kept: dict[datetime, str] = {}
    last: dict[datetime, str] = {}
    for one in stretches:
        for moment in (one.start, one.end):
            if moment not in kept:
                kept[moment] = _as_kept(moment)
        if one.end not in last:
            last[one.end] = _as_kept(one.end - _INSTANT)
    return json.dumps(
        [
            [number, one.owner_id.hex, kept[one.start], kept[one.end], last[one.end]]
            for number, one in enumerate(stretches)
        ]
    )


def _as_kept(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S.%f")
