"""Which cases are listed: the same parameters for page, file and API."""

from tracelog.cases.listing.queries import Asked, CaseFilter, Order
from tracelog.facts import whole_number
from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.web.parameters import Parameters

FILTERS = ("state", "line", "machine", "defect", "words", "order")


def read_filter(asked: Parameters, places: Directory, usual: Asked) -> CaseFilter:
    """The cases that parameters ask for; what is wrong with them is told to `asked`.

    Args:
        asked: the parameters of the request, not finished yet.
        places: the plant's lines and machines.
        usual: the state that is meant where none is named.
    """

    def line_number(given: str) -> int:
        places.line(line := whole_number(given, 1, 999))
        return line

    machine = asked.read("machine", places.machine_named)
    is_open = asked.yes_no("open")
    state = asked.word("state", Asked)
    if is_open is not None and state is not None:
        asked.tell("open", _("says the same as state; give one of them"))
    if is_open is not None:
        usual = Asked.UNENDED if is_open else Asked.ENDED
    words = (asked.text("words") or "").split()
    return CaseFilter(
        state=state or usual,
        line=asked.read("line", line_number),
        machine_id=None if machine is None else machine.id,
        defect=asked.text("defect"),
        words=tuple(words),
        order=asked.word("order", Order) or Order.NEWEST,
    )
