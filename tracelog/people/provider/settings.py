"""What the settings say of an identity provider: checked before anybody signs in by it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from tracelog.config import Settings
from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.people.permissions import ROLES
from tracelog.people.provider.strength import Strength, read_strength

# Nobody becomes administrator because a directory says so.
MAPPED_ROLES = tuple(role for role in ROLES if role != "administrator")
USUAL_CLAIM = "groups"
_THIS_MACHINE = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True)
class Provider:
    """An identity provider (OpenID Connect).

    Attributes:
        issuer: its address, exactly as it names itself in tokens.
        client_id: as whom it knows this installation.
        client_secret: with which this installation proves it.
        name: what the button calls it.
        role_claim: the claim that roles are mapped from; dots lead into objects.
        roles: values of that claim and the role of each, the first that fits counts; none: new
            people are refused.
        strength: what each sign-in must be, as the provider says.
        ca_file: whose certificates are trusted (PEM), None: the system's.
    """

    issuer: str
    client_id: str
    client_secret: str = field(repr=False)
    name: str
    role_claim: str
    roles: tuple[tuple[str, str], ...]
    strength: Strength = field(default_factory=Strength)
    ca_file: str | None = None


def read_provider(settings: Settings) -> Provider | None:
    """The identity provider of an installation, None if it has none.

    Raises:
        TracelogError: the settings contradict each other, or are not safe.
    """
    needed = {
        "TRACELOG_OIDC_ISSUER": settings.oidc_issuer,
        "TRACELOG_OIDC_CLIENT_ID": settings.oidc_client_id,
        "TRACELOG_OIDC_CLIENT_SECRET": settings.oidc_client_secret,
    }
    missing = [name for name, value in needed.items() if not value]
    if len(missing) == len(needed):
        return None
    if missing:
        raise TracelogError(
            _("for an identity provider %(missing)s is missing", missing=", ".join(missing))
        )
    issuer = str(settings.oidc_issuer)
    parts = urlsplit(issuer)
    is_safe = parts.scheme == "https" or (
        parts.scheme == "http" and parts.hostname in _THIS_MACHINE
    )
    if not is_safe or not parts.hostname or parts.query or parts.fragment:
        raise TracelogError(
            _("TRACELOG_OIDC_ISSUER is no https address; write it such as https://id.plant.example")
        )
    return Provider(
        issuer=issuer,
        client_id=str(settings.oidc_client_id),
        client_secret=str(settings.oidc_client_secret),
        name=settings.oidc_name or str(parts.hostname),
        role_claim=settings.oidc_role_claim or USUAL_CLAIM,
        roles=read_roles(settings.oidc_roles or ""),
        strength=read_strength(settings),
        ca_file=settings.ca_file,
    )


def read_roles(text: str) -> tuple[tuple[str, str], ...]:
    """Which role stands for which value of the claim: ``planners=planner, lab=quality``.

    Raises:
        TracelogError: a pair is not right, or would make administrators.

    Example:
        >>> read_roles("planners=planner, lab=quality")
        (('planners', 'planner'), ('lab', 'quality'))
    """
    pairs = []
    for part in (piece.strip() for piece in text.split(",") if piece.strip()):
        value, sign, role = (side.strip() for side in part.rpartition("="))
        if not sign or not value or role not in MAPPED_ROLES:
            raise TracelogError(
                _(
                    "TRACELOG_OIDC_ROLES: '%(part)s' is not right; write VALUE=ROLE with one of"
                    " %(known)s (administrators are made by an administrator)",
                    part=part[:60],
                    known=", ".join(MAPPED_ROLES),
                )
            )
        pairs.append((value, role))
    return tuple(pairs)


def role_for(provider: Provider, claims: Mapping[str, Any]) -> str | None:
    """The role that a new person gets, None: they are refused."""
    found: Any = claims
    for step in provider.role_claim.split("."):
        found = found.get(step) if isinstance(found, Mapping) else None
    values = found if isinstance(found, list) else [found]
    return next((role for value, role in provider.roles if value in values), None)
