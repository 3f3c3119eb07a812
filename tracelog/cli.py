"""The command line: one entry for each command, loaded only when it is asked for."""

import importlib
from collections.abc import Sequence
from typing import Any

import click

from tracelog.errors import TracelogError
from tracelog.terminal import EXIT_BAD_DATA

# Command name to module and object; a command's own imports stay out of the others' start.
COMMANDS: dict[str, str] = {
    "import": "tracelog.intake.commands:import_folder",
    "export": "tracelog.intake.commands:export_folder",
    "collect": "tracelog.intake.collect_command:collect",
    "serve": "tracelog.web.commands:serve",
    "demo": "tracelog.web.commands:demo",
    "calendar": "tracelog.plant.calendar_commands:calendar",
    "upgrade": "tracelog.web.commands:upgrade_tables",
    "user": "tracelog.people.commands:user",
    "audit": "tracelog.people.trail.commands:audit",
    "tablets": "tracelog.people.tablet_commands:tablets",
    "screens": "tracelog.wall.commands:screens",
    "check": "tracelog.keeping.check_command:check",
    "backup": "tracelog.keeping.commands:backup",
    "restore": "tracelog.keeping.commands:restore",
    "trace": "tracelog.trace.commands:trace",
    "suspects": "tracelog.trace.suspects.commands:suspect_cans",
    "notices": "tracelog.notices.commands:notices",
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

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; what the data are to blame for is said on stderr, status 1."""
        try:
            return super().invoke(ctx)
        except TracelogError as problem:
            for fault in problem.faults:
                click.echo(f"tracelog: {fault}", err=True)
            ctx.exit(EXIT_BAD_DATA)


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
