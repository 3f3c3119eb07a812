"""Commands of the wall screens: which there are, making one, and ending one."""

import click


@click.group()
def screens() -> None:
    """Screens on the wall, each of a line or the plant, that can only read.

    Example: tracelog screens list
    """
