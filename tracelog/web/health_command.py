"""The command `tracelog health`."""

import sys

import click

from tracelog.config import load_settings
from tracelog.db import reading
from tracelog.errors import EXIT_BAD_DATA
from tracelog.instants import now, write_instant
from tracelog.keeping.standing import standing
from tracelog.language import _
from tracelog.terminal import json_option, open_database, print_json, print_table
from tracelog.web.health_words import cautions, health_answer, size


@click.command("health")
@json_option
def health(as_json: bool) -> None:
    """How the installation does: backup, disks, database, notices, counters.

    Status 1 if something should be looked at; what it is stands on stderr.

    Example: tracelog health
    """
    settings = load_settings()
    engine = open_database(settings)
    with reading(engine) as session:
        found = standing(session, engine, settings, now())
    if as_json:
        print_json(health_answer(found))
    else:
        print_table(
            [_("What"), _("How it is")],
            [
                ("last good backup", write_instant(found.backup.made_at) if found.backup else "–"),
                ("backups to", found.backups_to or "–"),
                ("database", f"{found.database}, {size(found.database_bytes)}"),
                ("tables", found.revision),
                *((f"free for {one.folder}", size(one.free_bytes)) for one in found.disks),
                ("notices waiting", found.outbox.waiting),
                ("counters silent", ", ".join(found.silent) or "–"),
                ("entries in the last hour", found.entries_hour),
                ("readings in the last hour", found.readings_hour),
                ("tracelog", found.program),
            ],
            title=_("As of %(at)s", at=write_instant(found.at)),
        )
    said = cautions(found)
    for sentence in said:
        click.echo(sentence, err=True)
    if said:
        sys.exit(EXIT_BAD_DATA)
