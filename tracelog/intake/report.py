"""What an import did, file by file, and what was wrong where."""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from tracelog.errors import Fault
from tracelog.outcomes import Became

_CONTROLS = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]+")


@dataclass(frozen=True, slots=True)
class LocatedFault:
    """One thing that is wrong: file, line of the file, column (empty: the whole row), sentence."""

    file: str
    line: int
    column: str
    sentence: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}: " if self.line else f"{self.file}: "
        told = place + (f"{self.column}: " if self.column else "") + self.sentence
        # What a cell held must neither break the line nor steer the terminal.
        return _CONTROLS.sub(" ", told)


@dataclass
class FileReport:
    """What became of the rows of one file."""

    file: str
    became: Counter[Became] = field(default_factory=Counter)

    @property
    def rows(self) -> int:
        """How many rows the file has."""
        return self.became.total()

    def as_json(self) -> dict[str, Any]:
        """File, rows and what became of them."""
        return {"file": self.file, "rows": self.rows} | {
            became.value: self.became[became] for became in Became
        }


@dataclass
class ImportReport:
    """What an import did.

    `stopped`: something is wrong that no row is to blame for alone, so that not even good rows
    can be kept: a file that does not belong here, a header, the plant itself.
    """

    files: list[FileReport] = field(default_factory=list)
    faults: list[LocatedFault] = field(default_factory=list)
    stopped: bool = False
    seeded_defect_types: int = 0

    def tell(self, file: str, line: int, faults: tuple[Fault, ...] | list[Fault]) -> None:
        """Add what is wrong with one row."""
        for fault in faults:
            self.faults.append(LocatedFault(file, line, fault.field, fault.sentence))

    def sentences(self) -> Iterator[str]:
        """One line for each fault."""
        return map(str, self.faults)
