"""What a tablet sends of an entry that it kept."""

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, Field

from tracelog.defects.facts import ClockError
from tracelog.facts import Fact, Instant, RowId, one_of
from tracelog.language import _


class FilledForm(StrEnum):
    """Which form of the Log was filled in."""

    PAD = "pad"
    TYPED = "typed"


def _texts(value: Any) -> dict[str, str]:
    if not isinstance(value, Mapping) or not all(isinstance(one, str) for one in value.values()):
        raise ValueError(_("is not an object of the form's fields and what was written in them"))
    return {name: text.strip() for name, text in value.items()}


class QueuedEntry(Fact):
    """An entry as it was tapped or typed on a tablet.

    `person` is the account that was signed in when it was kept; `logged_at` the instant by the
    tablet's own clock, not corrected.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("id",)
    id: RowId
    person: RowId
    form: Annotated[FilledForm, one_of(FilledForm)]
    fields: Annotated[dict[str, str], BeforeValidator(_texts)] = Field(default_factory=dict)
    logged_at: Instant
    tablet_clock_error_s: ClockError | None = None
