"""What tablets and screens are called."""

from tracelog.errors import TracelogError
from tracelog.facts import plain_text

LONGEST_LABEL = 80


def checked_label(name: str, missing: str) -> str:
    """A name as it is kept.

    Args:
        name: as typed.
        missing: the sentence where there is none.

    Raises:
        TracelogError: there is none, or it cannot be kept; at the field ``name``.
    """
    try:
        kept = plain_text(name, LONGEST_LABEL)
    except ValueError as problem:
        raise TracelogError(str(problem), "name") from None
    if not kept:
        raise TracelogError(missing, "name")
    return kept
