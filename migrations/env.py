"""Alembic's environment: run by `tracelog.db.upgrade`, or by the alembic command on a desk."""

from alembic import context

from tracelog.config import load_settings
from tracelog.db import make_engine
from tracelog.schema import is_compared, metadata


def run(connection):
    """Run the revisions on an open connection; its owner holds the transaction."""
    context.configure(
        connection=connection,
        target_metadata=metadata,
        render_as_batch=connection.dialect.name == "sqlite",
        compare_type=True,
        include_name=is_compared,
        user_module_prefix="db.",
    )
    if connection.dialect.name == "postgresql":
        # On a live server a migration gives up rather than queue every page behind it.
        connection.exec_driver_sql("SET LOCAL lock_timeout = '5s'")
    context.run_migrations()


given = context.config.attributes.get("connection")
if given is not None:
    run(given)
else:
    with make_engine(load_settings().database_url).connect() as own, own.begin():
        run(own)
