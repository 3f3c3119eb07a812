"""How strongly the provider must have made sure of somebody, and whether it says so: no clock here.

The claims are those of OpenID Connect Core 1.0, section 2: `acr`, a class that the provider names;
`amr`, the methods that it used (RFC 8176 has names for some); `auth_time`, when it did. What it
does not say counts as not done.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from tracelog.config import Settings
from tracelog.errors import NotAllowed, TracelogError
from tracelog.language import _

# How far the provider's clock may be off.
LEEWAY = timedelta(seconds=60)
_LONGEST_MINUTES = 7 * 24 * 60


@dataclass(frozen=True)
class Strength:
    """What is demanded of each sign-in; nothing where nothing is set.

    Attributes:
        classes: one of these must be the claim `acr`.
        methods: each of these must be among the claim `amr`.
        longest: how long ago the provider may have asked for a proof, None: however long.
    """

    classes: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()
    longest: timedelta | None = None

    def asked(self, *, anew: bool) -> dict[str, str]:
        """What the provider is asked for, as parameters of the authorization request."""
        parameters = {}
        if self.classes:
            parameters["acr_values"] = " ".join(self.classes)
        if anew:
            parameters |= {"prompt": "login", "max_age": "0"}
        elif self.longest is not None:
            parameters["max_age"] = str(int(self.longest.total_seconds()))
        return parameters


def read_strength(settings: Settings) -> Strength:
    """What the settings demand.

    Raises:
        TracelogError: a setting cannot be read.
    """
    given = (settings.oidc_max_age or "").strip()
    is_number = given.isascii() and given.isdecimal() and len(given) < 6
    if given and not (is_number and 1 <= int(given) <= _LONGEST_MINUTES):
        raise TracelogError(
            _(
                "TRACELOG_OIDC_MAX_AGE: '%(given)s' is not right; write whole minutes, from 1 to"
                " %(most)d",
                given=given[:40],
                most=_LONGEST_MINUTES,
            )
        )
    longest = timedelta(minutes=int(given)) if given else None
    return Strength(_listed(settings.oidc_acr), _listed(settings.oidc_amr), longest)


def _listed(text: str | None) -> tuple[str, ...]:
    return tuple(part.strip() for part in (text or "").split(",") if part.strip())


def refuse_weak(
    wanted: Strength, claims: Mapping[str, Any], now: datetime, since: datetime | None = None
) -> None:
    """Refuse a sign-in that the provider does not say to be as strong as it must be.

    Args:
        wanted: what is demanded.
        claims: of the provider's token, whose signature is right.
        now: the present instant, UTC.
        since: the provider must have asked anew after that, UTC; None: it need not have.

    Raises:
        NotAllowed: with what is missing.
    """
    if wanted.classes and claims.get("acr") not in wanted.classes:
        raise NotAllowed(
            _(
                "the provider does not say that you signed in by %(wanted)s;"
                " sign in there that way",
                wanted=", ".join(wanted.classes),
            )
        )
    told = claims.get("amr")
    methods = told if isinstance(told, list) else []
    missing = [method for method in wanted.methods if method not in methods]
    if missing:
        raise NotAllowed(
            _(
                "the provider does not say that you signed in by %(wanted)s;"
                " sign in there that way",
                wanted=", ".join(missing),
            )
        )
    bounds = [] if wanted.longest is None else [now - wanted.longest]
    bounds += [] if since is None else [since]
    if not bounds:
        return
    at = claims.get("auth_time")
    if not max(bounds) - LEEWAY <= _instant(at, now) <= now + LEEWAY:
        raise NotAllowed(
            _("the provider does not say that it asked you just now; sign out there and begin anew")
        )


def _instant(seconds: Any, now: datetime) -> datetime:
    """The instant that a claim names; one long ago where it names none."""
    try:
        return datetime.fromtimestamp(seconds, now.tzinfo)
    except (TypeError, ValueError, OverflowError, OSError):
        return datetime.min.replace(tzinfo=now.tzinfo)
