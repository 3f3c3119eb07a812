"""The command `tracelog downgrade`: the way back from a version."""

import click
from sqlalchemy import Engine, column, select, table

from tracelog.config import load_settings
from tracelog.db import downgrade, make_engine, revision_of, undone_by_going_back
from tracelog.errors import Conflict, TracelogError
from tracelog.language import _

# From then on records of the audit trail cover the seals of what they wrote.
_SEALS = "2026_11_27_seals"
# From then on hours may rest on readings that are in files only.
_RETIRED = "2026_11_27_retired"


@click.command("downgrade")
@click.argument("revision")
@click.option("--yes", is_flag=True, help="Do not ask.")
def downgrade_tables(revision: str, yes: bool) -> None:
    """Take the database's tables back to REVISION, for an older version of tracelog.

    What only newer tables and columns hold is lost; all else stays. Where the audit trail could
    not be verified afterwards, or readings were retired, it is refused. Stop servers and collectors
    and make a backup first; install the older version afterwards. The whole is one transaction.
    The manifest of a backup made before the upgrade names the revision, and so does 'tracelog
    restore FILE --look --json'.

    Example: tracelog downgrade 2026_11_27_seals
    """
    engine = make_engine(load_settings().database_url)
    try:
        with engine.connect() as connection:
            present = revision_of(connection)
        undone = _undone(engine, revision, present)
        _keep_evidence(engine, undone)
        _keep_hours(engine, undone)
        if not yes:
            click.confirm(
                _("What only newer tables hold is lost. Is there a backup, and go on?"), abort=True
            )
        downgrade(engine, revision)
    finally:
        engine.dispose()
    click.echo(_("The tables are of version %(revision)s now.", revision=revision))


def _undone(engine: Engine, revision: str, present: str) -> list[str]:
    try:
        undone = undone_by_going_back(engine, revision)
    except ValueError:
        undone = []
    if not undone:
        raise TracelogError(
            _(
                "'%(revision)s' is no version before '%(present)s' that this program knows",
                revision=revision[:60],
                present=present,
            )
        )
    return undone


def _keep_hours(engine: Engine, undone: list[str]) -> None:
    """Refuse tables that would take hours of retired months for wrong."""
    if _RETIRED not in undone:
        return
    with engine.connect() as connection:
        months = table("retired_months", column("month"))
        retired = connection.execute(select(months.c.month).limit(1)).first()
    if retired is not None:
        raise Conflict(
            _(
                "readings were retired, and tables before '%(retired)s' would lose the strokes that"
                " were counted from them; restore the backup made before the upgrade",
                retired=_RETIRED,
            )
        )


def _keep_evidence(engine: Engine, undone: list[str]) -> None:
    """Refuse to leave audit records behind that nobody could verify any more."""
    if _SEALS not in undone:
        return
    with engine.connect() as connection:
        records = table("audit_records", column("sealed"))
        asked = select(records.c.sealed).where(records.c.sealed.is_not(None)).limit(1)
        sealed = connection.execute(asked).first()
    if sealed is not None:
        raise Conflict(
            _(
                "the audit trail names seals, which tables before '%(seals)s' do not have, so it"
                " could not be verified any more; restore the backup made before the upgrade",
                seals=_SEALS,
            )
        )
