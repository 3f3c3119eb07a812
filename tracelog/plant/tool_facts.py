"""The facts of the tool room: what was done to a tool, and what its card says of it."""

from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import ValidationInfo, field_validator

from tracelog.facts import Count, Fact, Instant, Name, Note, PositiveMeasure, one_of
from tracelog.language import _


class ToolWorkKind(StrEnum):
    """What was done to a tool, or said of it.

    These words, and what follows from them below, are the only place where they are decided
    (common practice, no source): what restores the working face begins a new life.
    """

    REGRIND = "regrind"
    POLISH = "polish"
    RECOAT = "recoat"
    REBUILD = "rebuild"
    CLEAN = "clean"
    RE_DESIGNATE = "re-designate"
    SCRAP = "scrap"
    ON_RECORD = "on-record"


# After these a tool's strokes since its last work count from 0 again.
RENEWING = frozenset(
    {ToolWorkKind.REGRIND, ToolWorkKind.POLISH, ToolWorkKind.RECOAT, ToolWorkKind.REBUILD}
)
# These can be done, or said, while the tool is in a machine.
IN_PLACE = frozenset({ToolWorkKind.POLISH, ToolWorkKind.CLEAN, ToolWorkKind.ON_RECORD})


def work_words() -> dict[str, str]:
    """What each kind of work means, in the order in which forms offer them."""
    return {
        "regrind": _("regrind: ground to size; strokes since work begin again"),
        "polish": _("polish: strokes since work begin again"),
        "recoat": _("recoat: coated anew; strokes since work begin again"),
        "rebuild": _("rebuild: worn parts of it replaced; strokes since work begin again"),
        "clean": _("clean: cleaned and looked at; strokes count on"),
        "re-designate": _("re-designate: serves in another position from now; strokes count on"),
        "scrap": _("scrap: will not be fitted again"),
        "on-record": _("on record: the strokes that its card says it had made by then"),
    }


def more_than_all(in_all: int | None, since_work: int | None) -> str | None:
    """Why a card's two figures cannot both be right; None: they can."""
    if in_all is None or since_work is None or since_work <= in_all:
        return None
    return _(
        "is more than strokes_before (%(all)d); since its last work a tool made at most what it"
        " made in all",
        all=in_all,
    )


class ToolWorkFact(Fact):
    """Work done on a tool, or what its card says when it comes on record (tool_works.csv).

    `strokes_before` and `strokes_before_since_work` are for work `on-record` only: all strokes
    that the tool had made by `done_at`, whoever counted them, and those since its last work;
    blank: not known. `size_mm` is the size after the work: a bore, a diameter.
    """

    key_fields: ClassVar[tuple[str, ...]] = ("serial", "done_at", "work")
    serial: Name
    done_at: Instant
    work: Annotated[ToolWorkKind, one_of(ToolWorkKind)]
    strokes_before: Count | None = None
    strokes_before_since_work: Count | None = None
    size_mm: PositiveMeasure | None = None
    note: Note | None = None

    @field_validator("strokes_before", "strokes_before_since_work")
    @classmethod
    def _only_of_a_card(cls, value: Any, info: ValidationInfo) -> Any:
        work = info.data.get("work")
        if value is not None and work is not None and work is not ToolWorkKind.ON_RECORD:
            raise ValueError(
                _(
                    "is given with work '%(work)s'; only 'on-record' tells strokes made before",
                    work=work,
                )
            )
        return value

    @field_validator("strokes_before_since_work")
    @classmethod
    def _part_of_all(cls, value: Any, info: ValidationInfo) -> Any:
        sentence = more_than_all(info.data.get("strokes_before"), value)
        if sentence is not None:
            raise ValueError(sentence)
        return value
