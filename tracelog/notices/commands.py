"""The command for notices: find news, send what is due, and the log of messages."""

import click

from tracelog.config import load_settings
from tracelog.db import reading
from tracelog.instants import show_instant
from tracelog.language import _
from tracelog.terminal import json_option, open_database, print_json, print_table

_STATES = ("waiting", "claimed", "sent", "given up")


@click.command("notices")
@click.option("--once", is_flag=True, help="Look once for news, and keep it to be sent.")
@click.option("--send", is_flag=True, help="Send once what is due.")
@click.option("--state", type=click.Choice(_STATES), help="List only messages that stand so.")
@json_option
def notices(once: bool, send: bool, state: str | None, as_json: bool) -> None:
    """List messages and what became of them; or find news and send what is due.

    The pages' own processes and the collector find and send by themselves. Where neither runs all
    the time, let a timer call it with --once --send; it may run beside them, and nothing is told
    twice.

    Example: tracelog notices --once --send
    """
    from tracelog.notices.answers import message_answer
    from tracelog.notices.delivering import Sender, find_news
    from tracelog.notices.queries import messages
    from tracelog.plant.queries import the_plant
    from tracelog.trends.signals.watching import bring_up_to_date

    settings = load_settings()
    engine = open_database(settings)
    if (once or send) and (state or as_json):
        raise click.UsageError(_("--state and --json belong to the list; leave them out"))
    if once:
        from tracelog.instants import now

        bring_up_to_date(engine, now())
        click.echo(_("%(count)d new notices", count=find_news(engine)))
    if send:
        click.echo(_("%(count)d messages sent", count=Sender(engine, settings).send_due()))
    if once or send:
        return
    with reading(engine) as session:
        found = messages(session, state)
        zone = the_plant(session).zone
    if as_json:
        print_json({"messages": [message_answer(one) for one in found]})
        return
    rows = [
        (
            show_instant(one.made_at, zone),
            *(one.state, one.way, one.owner, one.address, len(one.tries)),
            one.why or (one.tries[-1].answer if one.tries else ""),
            "; ".join(one.titles),
        )
        for one in found
    ]
    columns = ("made", "state", "way", "person", "address", "attempts", "answer", "notices")
    print_table(columns, rows, title=_("Messages, the last made first"))
