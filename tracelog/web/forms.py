"""Forms: what was typed, what is wrong with it, and where to go afterwards."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from urllib.parse import urlsplit

from flask import request

from tracelog.db import new_id
from tracelog.errors import Fault, TracelogError
from tracelog.language import language
from tracelog.locales import without_signs

LONGEST_NEXT = 500
# Fields that hold a number with decimals, which may be typed in the signs of the reader's language.
DECIMAL_FIELDS = frozenset(
    {
        "crew_hours",
        "false_signals_a_week",
        "fraction",
        "late_weight",
        "lost_weight",
        "lower",
        "planned_cost",
        "rated_spm",
        "seen",
        "size_mm",
        "target",
        "unplanned_cost",
        "unused_weight",
        "upper",
    }
)


@dataclass(frozen=True)
class Form:
    """A form as it is shown: values by field name, and what is wrong with them.

    Example:
        >>> form = Form({"line": "3"}).with_problem(TracelogError("is not a line", "line"))
        >>> form.value("line"), form.error("line")
        ('3', 'is not a line')
    """

    values: Mapping[str, str] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()

    def value(self, name: str) -> str:
        """What stands in a field; blank if nothing."""
        return self.values.get(name, "")

    def error(self, name: str) -> str | None:
        """The sentence that says what is wrong with a field."""
        return next((fault.sentence for fault in self.faults if fault.field == name), None)

    def with_problem(self, problem: TracelogError) -> "Form":
        """The same form with what a check or an action found wrong."""
        return replace(self, faults=(*self.faults, *problem.faults))

    @property
    def is_faulty(self) -> bool:
        """Whether anything is wrong."""
        return bool(self.faults)

    def own_id(self) -> str:
        """The id that the form carries hidden, so that what is sent twice is kept once.

        A new one where none was sent, or where the one sent is itself what is wrong.
        """
        is_wrong = self.error("id") is not None
        return str(new_id()) if is_wrong or not self.value("id") else self.value("id")


def posted(names: Iterable[str]) -> Form:
    """The named fields of the form that was sent; fields that were not sent are blank.

    Control characters and length are the facts' own business; here nothing is refused.
    """
    return Form({name: _typed(name, request.form.get(name, "")) for name in names})


def asked(names: Iterable[str], defaults: Mapping[str, str] | None = None) -> Form:
    """The named fields of the address (``?line=3&defect=split``), for pages with filters."""
    given = defaults or {}
    return Form({name: _typed(name, request.args.get(name, given.get(name, ""))) for name in names})


def _typed(name: str, text: str) -> str:
    """What was typed in a field, without blanks around it; a decimal comma is read as such."""
    typed = text.strip()
    return without_signs(typed, language()) if name in DECIMAL_FIELDS else typed


def safe_next(target: str | None, otherwise: str) -> str:
    """A place of this site to go to, or `otherwise` if `target` might lead elsewhere.

    Browsers read a backslash as a slash and skip control characters, so that both are refused.
    """
    if not target or len(target) > LONGEST_NEXT or not target.startswith("/"):
        return otherwise
    if target.startswith("//") or "\\" in target:
        return otherwise
    if any(ord(sign) < 33 or ord(sign) == 127 for sign in target):
        return otherwise
    try:
        parts = urlsplit(target)
    except ValueError:
        return otherwise
    return otherwise if parts.scheme or parts.netloc else target
