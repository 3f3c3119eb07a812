"""What a token is narrowed to, and until when: pure decisions."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.people.permissions import EVERY_PERMISSION, PERMISSIONS, SCOPES

# Of a token for which nobody said when it ends, and of any.
USUAL_LIFE = timedelta(days=365)
LONGEST_LIFE = timedelta(days=731)
_BETWEEN = ", "


def chosen_permissions(words: Iterable[str], role: str) -> frozenset[str] | None:
    """The permissions that a choice of scopes stands for.

    Args:
        words: names of `SCOPES`, or permissions; none: the whole role.
        role: of the token, which must include them all.

    Returns:
        The permissions; None: all of the role's, whatever they will be.

    Raises:
        TracelogError: a word is not known or goes beyond the role; at the field ``scopes``.

    Example:
        >>> sorted(chosen_permissions(["counters"], "planner"))
        ['read counter', 'see', 'send readings']
    """
    wanted: set[str] = set()
    for word in words:
        if word in SCOPES:
            wanted |= SCOPES[word]
        elif word in EVERY_PERMISSION:
            wanted.add(word)
        else:
            known = ", ".join([*SCOPES, *sorted(EVERY_PERMISSION)])
            raise TracelogError(
                _("'%(word)s' is not a scope; scopes are %(known)s", word=word[:40], known=known),
                "scopes",
            )
    if not wanted:
        return None
    beyond = sorted(wanted - PERMISSIONS[role])
    if beyond:
        raise TracelogError(
            _(
                "the role %(role)s does not include '%(beyond)s'; choose fewer scopes",
                role=role,
                beyond=_BETWEEN.join(beyond),
            ),
            "scopes",
        )
    return frozenset(wanted)


def written_scopes(chosen: frozenset[str] | None) -> str | None:
    """Scopes as they are kept."""
    return None if chosen is None else _BETWEEN.join(sorted(chosen))


def read_scopes(kept: str | None) -> frozenset[str] | None:
    """Scopes as they were kept; None: all of the role's."""
    return None if kept is None else frozenset(kept.split(_BETWEEN)) - {""}


def end_of_life(expires_at: datetime | None, now: datetime) -> datetime:
    """When a new token ends.

    Args:
        expires_at: as chosen, UTC; None: in a year.
        now: the present instant, UTC.

    Raises:
        TracelogError: it has passed, or is more than two years away; at the field ``expires_at``.
    """
    if expires_at is None:
        return now + USUAL_LIFE
    if expires_at <= now:
        raise TracelogError(_("has passed already; choose a later day"), "expires_at")
    if expires_at > now + LONGEST_LIFE:
        raise TracelogError(
            _("is more than two years away; choose an earlier day, and make another token then"),
            "expires_at",
        )
    return expires_at
