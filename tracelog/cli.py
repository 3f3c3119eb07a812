"""The command line: one entry for each command, loaded only when it is asked for."""

import importlib
import sys
from collections.abc import Sequence
from typing import Any

import click

from tracelog.errors import EXIT_BAD_DATA, TracelogError
from tracelog.language import _

# Command name to module and object; a command's own imports stay out of the others' start.
COMMANDS: dict[str, str] = {
    "import": "tracelog.intake.commands:import_folder",
    "export": "tracelog.intake.commands:export_folder",
    "collect": "tracelog.intake.collect_command:collect",
    "serve": "tracelog.web.commands:serve",
    "demo": "tracelog.web.commands:demo",
    "calendar": "tracelog.plant.calendar_commands:calendar",
    "upgrade": "tracelog.web.commands:upgrade_tables",
    "downgrade": "tracelog.keeping.downgrade_command:downgrade_tables",
    "health": "tracelog.web.health_command:health",
    "key": "tracelog.keeping.key_commands:key",
    "user": "tracelog.people.commands:user",
    "token": "tracelog.people.token_commands:token",
    "audit": "tracelog.people.trail.commands:audit",
    "tablets": "tracelog.people.tablet_commands:tablets",
    "screens": "tracelog.wall.commands:screens",
    "check": "tracelog.keeping.check_command:check",
    "erase-person": "tracelog.keeping.erasing.commands:erase_person",
    "backup": "tracelog.keeping.commands:backup",
    "restore": "tracelog.keeping.commands:restore",
    "retention": "tracelog.keeping.retention.commands:retention",
    "trace": "tracelog.trace.commands:trace",
    "suspects": "tracelog.trace.suspects.commands:suspect_cans",
    "notices": "tracelog.notices.commands:notices",
    "group": "tracelog.group.commands:group",
    "holds": "tracelog.trace.holds.commands:list_holds",
    "cases": "tracelog.cases.commands:cases",
    "complaints": "tracelog.cases.complaints.commands:list_complaints",
    "domes": "tracelog.cases.domes.commands:domes",
    "handover": "tracelog.handover.commands:handover",
    "sequence": "tracelog.cases.sequence.commands:sequence",
    "rates": "tracelog.trends.commands:rates",
    "measurements": "tracelog.trends.measured.commands:measurements",
    "signals": "tracelog.trends.signals.commands:signals",
    "explain": "tracelog.cases.explain.commands:explain",
    "counters": "tracelog.strokes.commands:counters",
    "forecast": "tracelog.service.commands:forecast",
    "plan": "tracelog.service.plan_commands:plan",
    "lives": "tracelog.service.lives_commands:lives",
    "tools": "tracelog.service.tool_commands:tools",
}

# What each is for, as its own help begins: to list them, none of them has to be loaded.
SUMMARIES: dict[str, str] = {
    "audit": "The audit trail: every write by any door, the newest first.",
    "backup": "Write everything into one archive FILE while others go on working.",
    "calendar": "Planned stops, and times in which no service may be put.",
    "cases": "Cases: what is looked into, what was done, and whether it held.",
    "check": "Check audit trail, rows, references, pictures, and derived tables against the facts.",
    "erase-person": "Erase the name of a person: what they recorded stays under a pseudonym.",
    "collect": "Collect readings of the machines' counters until stopped (Ctrl-C or SIGTERM).",
    "complaints": "Complaints with the hours until their first answer, the last written first.",
    "counters": "What is open about counters: jumps that nobody has explained, and silences.",
    "demo": "Fill a database with an invented plant, print address and sign-ins, and serve it.",
    "domes": "Whether bad cans suggest one machine, by the exact chance of so uneven a spread.",
    "downgrade": "Take the database's tables back to REVISION, for an older version of tracelog.",
    "explain": (
        "Ranked explanations of a defect: machine, tool, coil, crew, change, or nothing special."
    ),
    "export": "Export everything as a plant folder, which an import takes back unchanged.",
    "forecast": "When each machine's services fall due, from how it ran lately.",
    "group": "Several plants in one view: how they stand, rates by plant, and how they are joined.",
    "handover": "What a shift hands over, or what changed most in a week, by evidence.",
    "health": "How the installation does: backup, disks, database, notices, counters.",
    "holds": "Stock on hold: pallets and cans, what is missing, and what was decided.",
    "import": "Import a plant folder, or a spreadsheet: either every row is in, or none is.",
    "key": (
        "The secret key of this installation, which signs sessions and makes webhooks' secrets."
    ),
    "lives": "How long tools live, by type, and whether replacing them by age pays.",
    "measurements": "A control chart of one measured characteristic, and its capability.",
    "notices": "List messages and what became of them; or find news and send what is due.",
    "plan": (
        "Which machine is served on which day: the plan that costs least, and what is proven of it."
    ),
    "rates": "Defects per million strokes with exact intervals, or bad cans per million inspected.",
    "restore": (
        "Put everything from the archive FILE into an empty database, of SQLite or PostgreSQL."
    ),
    "retention": (
        "Export counter readings of old months to Parquet files, and take them out of the database."
    ),
    "screens": "Screens on the wall, each of a line or the plant, that can only read.",
    "sequence": (
        "Whether bad cans repeat every N cans, and which stations of the line have N parts."
    ),
    "serve": "Serve the pages and the API.",
    "signals": (
        "Rates that left their baseline: since when, from what to what, and by which evidence."
    ),
    "suspects": "Which pallets may hold suspect cans of MACHINE (several, with commas, if unsure).",
    "tablets": (
        "Shared tablets, on which people sign in with a PIN; one is made on the tablet itself."
    ),
    "token": "Tokens, with which programs act for an account.",
    "tools": "Tools with their strokes since work and in all; with SERIAL, one tool's whole card.",
    "trace": "From a dome CODE to the machine, tools and metal behind the can; or what they made.",
    "upgrade": "Bring the database's tables to this version of tracelog.",
    "user": "Accounts of people, and where they are signed in.",
}


class Commands(click.Group):
    """The group of all commands; turns our errors into exit status 1 in one place."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Names of all commands, for ``--help``."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Load one command."""
        place = COMMANDS.get(cmd_name)
        if place is None:
            return None
        module, name = place.split(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List all commands with what each is for, without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, self._summary(ctx, name)) for name in sorted(COMMANDS)])

    def _summary(self, ctx: click.Context, name: str) -> str:
        if name in SUMMARIES:
            return SUMMARIES[name]
        command = self.get_command(ctx, name)
        return command.get_short_help_str(limit=200) if command else ""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; what the data are to blame for is said on stderr, status 1."""
        try:
            return super().invoke(ctx)
        except TracelogError as problem:
            for fault in problem.faults:
                click.echo(f"tracelog: {fault}", err=True)
            ctx.exit(EXIT_BAD_DATA)
        except Exception as problem:
            sentence = _of_the_database(problem)
            if sentence is None:
                raise
            click.echo(f"tracelog: {sentence}", err=True)
            ctx.exit(EXIT_BAD_DATA)


def _of_the_database(problem: Exception) -> str | None:
    """The sentence for a database that is away, busy or full; None for any other error."""
    if "sqlalchemy" not in sys.modules:
        return None
    from tracelog.db import why_out_of_reach

    why = why_out_of_reach(problem)
    if why is None:
        return None
    return _(
        "the database cannot be used just now: %(why)s; what was not confirmed was not kept, so"
        " run the command again when that is mended",
        why=why,
    )


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="tracelog", prog_name="tracelog")
def tracelog() -> None:
    """Traceability and troubleshooting for two-piece can plants.

    Settings come from the environment: TRACELOG_DATABASE_URL, TRACELOG_SECRET_KEY,
    TRACELOG_DATA_DIR, or a TOML file named by TRACELOG_CONFIG.

    Example: tracelog import my-plant/
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Entry point of the command `tracelog`."""
    tracelog.main(args=list(arguments) if arguments is not None else None, prog_name="tracelog")
