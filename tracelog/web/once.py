"""A field or parameter that comes twice where one is meant is refused, and never half heeded.

Which of two values counts is not the same for all who read a request: a proxy may check the one
and a page use the other. So one is taken, and a second is told at its name. The API's own readers
tell it together with whatever else is wrong (`tracelog.web.parameters`).
"""

from types import MappingProxyType

from flask import request

from tracelog.errors import Fault
from tracelog.language import _
from tracelog.web.parameters import WrongParameters
from tracelog.web.refusals import Refusal, tell_refusal
from tracelog.web.request import is_api

_CHARTS = frozenset({"defect", "exclude"})
# What may come more than once, by blueprint or endpoint: choices of which several can be made.
SEVERAL = MappingProxyType(
    {
        "trends": _CHARTS,
        "series": _CHARTS,
        "pictures": _CHARTS,
        "heat": _CHARTS,
        "years": _CHARTS,
        "group": frozenset({"defect"}),
        "entries": frozenset({"defect", "machine"}),
        "holds.write_on_hold": frozenset({"pallet"}),
        "spreadsheet_rows.put_right": frozenset({"row"}),
        "people.add_token": frozenset({"scopes"}),
    }
)


def may_come_twice(endpoint: str) -> frozenset[str]:
    """The names that may be given more than once to an endpoint of the pages."""
    none: frozenset[str] = frozenset()
    return SEVERAL.get(endpoint, none) | SEVERAL.get(endpoint.partition(".")[0], none)


def refuse_repeats() -> None:
    """Refuse a request of the pages in which something comes twice that is meant once.

    Raises:
        WrongParameters: one fault for each name.
    """
    if is_api() or request.endpoint is None:
        return
    allowed = may_come_twice(request.endpoint)
    faults = [
        Fault(name[:60], _("is given %(times)d times; give it once", times=len(values)))
        for given in (request.args, request.form)
        for name, values in given.lists()
        if len(values) > 1 and name not in allowed
    ]
    if faults:
        tell_refusal(Refusal.TWICE)
        raise WrongParameters(tuple(faults))
