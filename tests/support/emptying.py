"""PostgreSQL databases of tests, emptied and used again: making one anew takes far longer."""

from psycopg import sql
from sqlalchemy import Connection, Engine, NullPool, create_engine, text

from tracelog.db import make_engine

_OTHERS = text(
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
    " WHERE datname = current_database() AND pid <> pg_backend_pid()"
)
# Everything that a test may have made or changed besides rows: tables, columns, indexes,
# constraints, sequences that have moved, triggers, functions, schemas, settings of the database.
# Parts of a table stay: they come with the rows that need them, and are no harm to the next test.
_SHAPE = text(
    """
    SELECT md5(string_agg(line, '|' ORDER BY line)) FROM (
        SELECT concat_ws(' ', 'class', c.oid, c.relname, c.relkind, c.relpersistence)
            FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
            WHERE n.nspname NOT IN ('pg_catalog', 'information_schema', 'pg_toast')
            AND NOT c.relispartition
        UNION ALL SELECT concat_ws(' ', 'column', a.attrelid, a.attname, a.atttypid, a.attnotnull)
            FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid
            JOIN pg_namespace n ON n.oid = c.relnamespace
            WHERE n.nspname NOT IN ('pg_catalog', 'information_schema', 'pg_toast')
            AND NOT c.relispartition
        UNION ALL SELECT concat_ws(' ', 'constraint', o.oid, o.conname) FROM pg_constraint o
            WHERE NOT EXISTS (SELECT FROM pg_class c WHERE c.oid = o.conrelid AND c.relispartition)
        UNION ALL SELECT concat_ws(' ', 'trigger', oid, tgenabled) FROM pg_trigger
        UNION ALL SELECT concat_ws(' ', 'sequence', sequencename, last_value) FROM pg_sequences
        UNION ALL SELECT concat_ws(' ', 'function', p.oid) FROM pg_proc p
            JOIN pg_namespace n ON n.oid = p.pronamespace WHERE n.nspname = 'public'
        UNION ALL SELECT concat_ws(' ', 'schema', nspname) FROM pg_namespace
            WHERE nspname NOT LIKE 'pg_temp%' AND nspname NOT LIKE 'pg_toast_temp%'
        UNION ALL SELECT concat_ws(' ', 'setting', setconfig) FROM pg_db_role_setting
            JOIN pg_database d ON d.oid = setdatabase WHERE d.datname = current_database()
        UNION ALL SELECT concat_ws(' ', 'publication', pubname) FROM pg_publication
        UNION ALL SELECT concat_ws(' ', 'subscription', subname) FROM pg_subscription
            JOIN pg_database d ON d.oid = subdbid WHERE d.datname = current_database()
    ) AS everything (line)
    """
)
_TABLES = text(
    "SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
    " WHERE n.nspname = 'public' AND c.relkind IN ('r', 'p') AND NOT c.relispartition"
    " AND c.relname <> 'alembic_version' ORDER BY c.relname"
)


class Emptied:
    """Databases that are as the migrations left them, to be used again by this worker."""

    def __init__(self) -> None:
        self._free: list[str] = []
        self._shapes: dict[str, str] = {}

    def take(self) -> str | None:
        """The address of one, None where there is none."""
        return self._free.pop() if self._free else None

    def note(self, url: str) -> None:
        """Remember the shape of a database that was just made."""
        engine = _engine(url)
        with engine.connect() as connection:
            self._shapes[url] = str(connection.execute(_SHAPE).scalar())

    def give_back(self, url: str) -> bool:
        """Empty a database and keep it; False where it must be removed: more than rows changed."""
        shape = self._shapes.get(url)
        if shape is None:
            return False
        with _engine(url).connect() as connection:
            connection.execute(_OTHERS)
            if str(connection.execute(_SHAPE).scalar()) != shape:
                return False
            _empty(connection)
            connection.commit()
        self._free.append(url)
        return True


def _engine(url: str) -> Engine:
    return create_engine(make_engine(url).url, poolclass=NullPool)


def _empty(connection: Connection) -> None:
    """Delete all rows; keys between tables are not looked at, since all of them go."""
    tables = connection.execute(_TABLES).scalars().all()
    looks = [
        sql.SQL("SELECT {} WHERE EXISTS (SELECT FROM {})").format(
            sql.Literal(name), sql.Identifier(name)
        )
        for name in tables
    ]
    asked = sql.SQL(" UNION ALL ").join(looks).as_string(None)
    filled = connection.exec_driver_sql(asked.replace("%", "%%")).scalars().all()
    connection.execute(text("SET LOCAL session_replication_role = replica"))
    for name in filled:
        connection.exec_driver_sql(
            sql.SQL("DELETE FROM {}").format(sql.Identifier(name)).as_string(None)
        )
