"""What on the floor needs somebody: decisions that need no database."""

from collections.abc import Sequence
from datetime import timedelta

from tracelog.language import _

# A machine whose counter did not move in this time before its last reading stands still.
STANDSTILL = timedelta(hours=2)


def reasons(overdue: Sequence[str], open_questions: int, silent: bool) -> tuple[str, ...]:
    """Why a machine needs attention, in plain words, the most pressing first.

    Args:
        overdue: services that should have been done by now, the furthest used up first.
        open_questions: jumps of its counter that nobody has explained.
        silent: whether its counter says nothing.
    """
    found = [_("%(service)s overdue", service=service) for service in overdue]
    if silent:
        found.append(_("counter silent"))
    if open_questions:
        found.append(_("counter jumped, nobody has said why"))
    return tuple(found)
