"""Instants in the words of each database: figures that it works out where rows are many.

Making instants of the text that SQLite keeps takes most of the time of reading some hundred rows.
"""

from typing import Any

from sqlalchemy import BigInteger, Float
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement


class MinutesBetween(FunctionElement[float]):
    """Minutes from the first of two instants to the second, to the millisecond."""

    type = Float()
    inherit_cache = True


class WholeSeconds(FunctionElement[int]):
    """Seconds from the beginning of 1970 to an instant, without the part of a second."""

    type = BigInteger()
    inherit_cache = True


@compiles(MinutesBetween, "postgresql")
def _minutes_on_postgresql(element: Any, compiler: Any, **options: Any) -> str:
    earlier, later = (compiler.process(one, **options) for one in element.clauses)
    return f"CAST(extract(epoch FROM {later} - {earlier}) / 60 AS double precision)"


@compiles(MinutesBetween, "sqlite")
def _minutes_on_sqlite(element: Any, compiler: Any, **options: Any) -> str:
    earlier, later = (compiler.process(one, **options) for one in element.clauses)
    return f"round((julianday({later}) - julianday({earlier})) * 1440, 6)"


@compiles(WholeSeconds, "postgresql")
def _seconds_on_postgresql(element: Any, compiler: Any, **options: Any) -> str:
    (moment,) = (compiler.process(one, **options) for one in element.clauses)
    return f"CAST(floor(extract(epoch FROM {moment})) AS bigint)"


@compiles(WholeSeconds, "sqlite")
def _seconds_on_sqlite(element: Any, compiler: Any, **options: Any) -> str:
    (moment,) = (compiler.process(one, **options) for one in element.clauses)
    # Without its fraction, by which SQLite would round.
    return f"CAST(strftime('%s', substr({moment}, 1, 19)) AS INTEGER)"
