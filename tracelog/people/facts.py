"""What is said of a token to be made, whichever door it comes through."""

from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, Field, WithJsonSchema

from tracelog.facts import Fact, Instant, Name
from tracelog.language import _


def _words(value: Any) -> tuple[str, ...]:
    """Scopes as sent: an array of words."""
    if not isinstance(value, list | tuple) or not all(isinstance(one, str) for one in value):
        raise ValueError(_('is not an array of words; write it such as ["counters"]'))
    return tuple(one.strip() for one in value)


class TokenFact(Fact):
    """A token to be made for an account; whether role and scopes exist, the action says."""

    key_fields: ClassVar[tuple[str, ...]] = ("account", "name")

    account: Name
    name: Name
    role: Annotated[
        Name | None, Field(description="at most the account's own, which it is if left out")
    ] = None
    scopes: Annotated[
        tuple[str, ...],
        BeforeValidator(_words),
        WithJsonSchema({"type": "array", "items": {"type": "string"}}),
        Field(description="what of the role it may do; all of it if left out"),
    ] = ()
    expires_at: Annotated[
        Instant | None, Field(description="within two years; in a year if left out")
    ] = None
