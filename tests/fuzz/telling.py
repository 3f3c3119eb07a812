"""What a refusal must be, whichever reader refuses."""

from tracelog.errors import TracelogError


def must_tell(problem: TracelogError | ValueError, field: str | None = None) -> None:
    """Look that a refusal says something at each fault, at its field, and can be sent.

    Args:
        problem: what was raised.
        field: where all of it belongs; None: anywhere.
    """
    if not isinstance(problem, TracelogError):
        assert str(problem)
        return
    assert problem.faults
    for fault in problem.faults:
        assert fault.sentence
        assert field is None or fault.field == field, fault
        # Half characters of what came are shown as they are; no door stumbles over them.
        str(fault).encode("utf-8", "surrogatepass")
