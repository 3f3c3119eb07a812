"""What a dome code may be read as, each with its chance and the trap: pure, digits in and out.

A can is turned over as a whole, so that turning acts on each number and may make the two change
places; it is looked at from inside as a whole; worn and doubly struck digits are single digits.
Two traps at once are left out: their chance is the product of two small ones.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass

from tracelog.language import _, language
from tracelog.plant.dome_code import DomeCode
from tracelog.reference_rows import DigitConfusion, ReadingDoubt

# Plants that write 06 for 6 are fewer than those that do not (common practice, no source).
_LEADING_ZERO = 0.25
TURNED, TURNED_PAIR, SWAPPED = "turned", "turned-pair", "swapped"
WORN, STRUCK, MIRRORED = "worn", "double-struck", "mirrored"
NOT_A_NUMBER = "not-a-number"

Part = tuple[str, str]


@dataclass(frozen=True)
class Misreading:
    """A code as it may be read: its chance, the kind of trap, and the trap in words."""

    code: DomeCode
    chance: float
    kind: str
    reason: str


@dataclass(frozen=True)
class Likelihood:
    """Chance of what was read if the can bears a certain code, and the likeliest reason."""

    chance: float
    reason: str
    kind: str | None = None


class Confusion:
    """The model of reading that a table of confusions makes.

    Args:
        table: the kinds of confusion with their pairs and weights.
        doubt: how readily readers doubt.
    """

    def __init__(self, table: Iterable[DigitConfusion], doubt: ReadingDoubt) -> None:
        self._table = {one.kind: one for one in table}
        self._doubt = doubt
        # By language too, since each says why in the reader's.
        self._known: dict[tuple[DomeCode, str], tuple[Misreading, ...]] = {}

    def misreadings(self, code: DomeCode) -> tuple[Misreading, ...]:
        """Everything else that a complete code may be read as; chances add up to less than one."""
        key = code, language()
        if key not in self._known:
            found = [one for one in self._all(code) if one.code != code and one.chance > 0]
            self._known[key] = tuple(found)
        return self._known[key]

    def of(self, read: DomeCode, true: DomeCode, *, is_doubted: bool) -> Likelihood | None:
        """How likely a can with the code `true` is read as `read`; None if no trap leads there.

        Args:
            read: as read, with `?` for digits that nobody can read.
            true: complete.
            is_doubted: the reader was unsure, which says more of a misread code than of one read
                rightly (Bayes), and any one digit may be wrong then. Otherwise the reading counts
                as it is, where it fits, and only the table's pairs lead elsewhere.
        """
        wrong = [one for one in self.misreadings(true) if read.fits(one.code)]
        parts = [one.chance * self._doubt.unsure_when_wrong for one in wrong]
        best = max(wrong, key=lambda one: one.chance) if wrong else None
        if read.fits(true):
            right = 1 - sum(one.chance for one in self.misreadings(true))
            chance = max(right, 0.0) * self._doubt.unsure_when_right
            if not is_doubted:
                return Likelihood(1.0, as_read(read))
            return Likelihood(chance + sum(parts), as_read(read))
        another = self._another_digit(read, true) if is_doubted else 0.0
        if best is not None:
            return Likelihood(sum(parts) + another, best.reason, best.kind)
        if not another:
            return None
        return Likelihood(another, _("another mark taken for a digit"), NOT_A_NUMBER)

    def _another_digit(self, read: DomeCode, true: DomeCode) -> float:
        """Chance of one digit that is read as any other, which no pair of the table tells."""
        row = self._table.get(NOT_A_NUMBER)
        lengths = (len(read.line), len(read.number))
        if row is None or lengths != (len(true.line), len(true.number)):
            return 0.0
        both = zip(read.line + read.number, true.line + true.number, strict=True)
        if sum(sign not in ("?", digit) for sign, digit in both) != 1:
            return 0.0
        return row.weight / 9 * self._doubt.unsure_when_wrong

    def _all(self, code: DomeCode) -> Iterator[Misreading]:
        yield from self._turned(code)
        yield from self._swapped(code)
        yield from self._mirrored(code)
        yield from self._single_digits(code)

    def _turned(self, code: DomeCode) -> Iterator[Misreading]:
        """A number turned alone, both numbers, and the whole can, which swaps the two as well."""
        lines, numbers = self._upside_down(code.line), self._upside_down(code.number)
        reason = _("turned upside down")
        for line, weight, kind in lines:
            yield from _misread(line, code.number, weight / 4, kind, reason)
        for number, weight, kind in numbers:
            yield from _misread(code.line, number, weight / 2, kind, reason)
        for line, line_weight, kind in [*lines, *self._unchanged(code.line)]:
            for number, weight, other in [*numbers, *self._unchanged(code.number)]:
                chance = max(line_weight, weight) / 4
                kept = kind if line_weight >= weight else other
                yield from _misread(line, number, chance / 2, kept, reason)
                swapped = _("turned upside down, so that the two numbers change places")
                yield from _misread(number, line, chance, kept, swapped)

    def _upside_down(self, digits: str) -> list[tuple[str, float, str]]:
        """What a number is when turned, by the pairs; also with a zero before one digit."""
        found = []
        for kind in (TURNED, TURNED_PAIR):
            row = self._table.get(kind)
            if row is None:
                continue
            pairs = dict(_both_ways(row))
            for text, share in _written(digits):
                if text in pairs:
                    found.append((pairs[text], row.weight * share, kind))
        return found

    def _unchanged(self, digits: str) -> list[tuple[str, float, str]]:
        for kind in (TURNED, TURNED_PAIR):
            row = self._table.get(kind)
            if row is not None and digits in row.unchanged:
                return [(digits, row.weight / 2, kind)]
        return []

    def _swapped(self, code: DomeCode) -> Iterator[Misreading]:
        row = self._table.get(SWAPPED)
        if row is not None:
            reason = _("line and machine swapped")
            yield from _misread(code.number, code.line, row.weight, SWAPPED, reason)

    def _mirrored(self, code: DomeCode) -> Iterator[Misreading]:
        row = self._table.get(MIRRORED)
        if row is None:
            return
        single = {a: b for a, b in _both_ways(row) if len(a) == len(b) == 1}
        line, number = (
            "".join(single.get(digit, digit) for digit in reversed(part))
            for part in (code.line, code.number)
        )
        reason = _("read from inside or from a flipped picture")
        yield from _misread(line, number, row.weight / 2, MIRRORED, reason)
        yield from _misread(number, line, row.weight / 2, MIRRORED, reason)

    def _single_digits(self, code: DomeCode) -> Iterator[Misreading]:
        for kind in (WORN, STRUCK):
            row = self._table.get(kind)
            if row is None:
                continue
            others: dict[str, list[str]] = {}
            for true, read in _both_ways(row):
                others.setdefault(true, []).append(read)
            for line, number, true, read in _replaced(code, others):
                chance = row.weight / len(others[true])
                yield from _misread(line, number, chance, kind, _digit_reason(kind, true, read))


def _digit_reason(kind: str, true: str, read: str) -> str:
    if kind == WORN:
        return _("worn or filled %(true)s read as %(read)s", true=true, read=read)
    return _("%(true)s struck twice, read as %(read)s", true=true, read=read)


def as_read(read: DomeCode) -> str:
    """The reason of a candidate whose code is what was read."""
    return _("as read") if read.is_complete else _("fits the digits that could be read")


def _both_ways(row: DigitConfusion) -> list[tuple[str, str]]:
    pairs = list(row.pairs)
    return pairs + [(read, true) for true, read in pairs] if row.both_ways else pairs


def _written(digits: str) -> list[tuple[str, float]]:
    """How a number stands on the can: alone, or with a zero before it."""
    if len(digits) == 1:
        return [(digits, 1.0), (f"0{digits}", _LEADING_ZERO)]
    return [(digits, 1.0)]


def _replaced(
    code: DomeCode, others: Mapping[str, Collection[str]]
) -> Iterator[tuple[str, str, str, str]]:
    """The code with one digit read as another: line, number, the digit, and what it is read as."""
    for place, digit in enumerate(code.line):
        for read in others.get(digit, ()):
            yield code.line[:place] + read + code.line[place + 1 :], code.number, digit, read
    for place, digit in enumerate(code.number):
        for read in others.get(digit, ()):
            yield code.line, code.number[:place] + read + code.number[place + 1 :], digit, read


def _misread(line: str, number: str, chance: float, kind: str, reason: str) -> Iterator[Misreading]:
    line, number = line.lstrip("0"), number.lstrip("0")
    if line and number and max(len(line), len(number)) <= 3:
        yield Misreading(DomeCode(line, number), chance, kind, reason)
