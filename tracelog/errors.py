"""The few errors users can cause. Each carries the sentence they see; doors turn them into
pages, problem details or exit statuses, each in one place."""

from dataclasses import dataclass

# Exit status of a command when the data or the answer is bad.
EXIT_BAD_DATA = 1


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with what was sent.

    `field` is the column or field (empty: the whole row), `sentence` says what is wrong and
    what would be right.
    """

    field: str
    sentence: str

    def __str__(self) -> str:
        return f"{self.field}: {self.sentence}" if self.field else self.sentence


class TracelogError(Exception):
    """Something the user asked for cannot be done; the message is the sentence to show."""

    status = 400

    def __init__(self, sentence: str, field: str = "") -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.field = field

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is wrong, field by field."""
        return (Fault(self.field, self.sentence),)


class BadFact(TracelogError):
    """A fact breaks its own rules: one fault per field."""

    status = 422

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("; ".join(str(fault) for fault in faults))
        self._faults = faults

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is wrong, field by field."""
        return self._faults


class UnknownReference(TracelogError):
    """A line, machine, tool, coil, defect… is named that the plant does not have."""

    status = 422


class Conflict(TracelogError):
    """The same key was already accepted with other content."""

    status = 409


class NotFound(TracelogError):
    """Nothing is kept under that name."""

    status = 404


class NotAllowed(TracelogError):
    """The person's role does not include this."""

    status = 403


class NoPlant(TracelogError):
    """The database holds no plant yet."""

    status = 409
