"""The rows of the reference data: one frozen dataclass for each kind of table."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Word:
    """One word of a closed list (a severity, an origin) and what it means."""

    word: str
    means: str
    source: str


@dataclass(frozen=True)
class Stage:
    """One stage of making a can, under which defects are grouped."""

    stage: str
    name: str


@dataclass(frozen=True)
class Cause:
    """One usual cause of a defect, the check that confirms it, and the remedy.

    `points_to`: where it would show in a comparison of rates, such as ``tool:ring-3`` or ``coil``.
    """

    cause: str
    check: str
    remedy: str
    source: str
    points_to: tuple[str, ...] = ()


@dataclass(frozen=True)
class DefectType:
    """One defect of the vocabulary; `causes` stand in order of likelihood, likeliest first.

    `also`: other words for it, as people type them.
    """

    defect: str
    name: str
    stage: str
    severity: str
    severity_note: str
    looks: str
    found_at: tuple[str, ...]
    found_by: str
    arises_at: str
    traces_to: tuple[str, ...]
    source: str
    order_source: str
    causes: tuple[Cause, ...]
    traces_to_note: str = ""
    note: str = ""
    also: tuple[str, ...] = ()


@dataclass(frozen=True)
class ToolType:
    """One type of tool, also the word for its position; lives are in strokes, None if not known."""

    tool_type: str
    name: str
    station: str
    does: str
    failure_signs: tuple[str, ...]
    tracked_by: str
    work_done: str
    source: str
    failure_note: str = ""
    life_strokes_low: int | None = None
    life_strokes_high: int | None = None
    regrinds_low: int | None = None
    regrinds_high: int | None = None


@dataclass(frozen=True)
class ServiceLevel:
    """One default service level: due after strokes or days, whichever comes first."""

    station: str
    service: str
    hours: float
    people: int
    crew: str
    work: str
    contains: tuple[str, ...]
    source: str
    interval_strokes: int | None = None
    interval_strokes_low: int | None = None
    interval_strokes_high: int | None = None
    interval_days: int | None = None
    interval_days_low: int | None = None
    interval_days_high: int | None = None
    hours_low: float | None = None
    hours_high: float | None = None
    people_low: int | None = None
    people_high: int | None = None


@dataclass(frozen=True)
class ServiceWindow:
    """The shares of the interval before and after the due point that still count as on time."""

    early_share: float
    late_share: float
    source: str


@dataclass(frozen=True)
class RunIn:
    """Hours a machine runs in after a service before quality releases its first cans."""

    hours_low: float
    hours_high: float
    source: str


@dataclass(frozen=True)
class Station:
    """One station: `order` in the process (None off it), `dwell` to the next one in minutes."""

    station: str
    name: str
    kind: str
    does: str
    leaves: str
    keeps_order: bool
    per_line: str
    source: str
    order: int | None = None
    optional: bool = False
    dwell: str = ""
    dwell_minutes_low: float | None = None
    dwell_minutes_high: float | None = None


@dataclass(frozen=True)
class StationPart:
    """Parts of a station that come round in turn, and how many there mostly are."""

    station: str
    part: str
    fewest: int
    most: int
    notes: str
    source: str


@dataclass(frozen=True)
class DigitConfusion:
    """One way a number in the dome is taken for another; a pair is (on the can, as read).

    `weight` is the chance that it happens to a can on which it can act.
    """

    kind: str
    name: str
    weight: float
    weight_source: str
    both_ways: bool
    pairs: tuple[tuple[str, str], ...]
    unchanged: tuple[str, ...]
    cure: str
    source: str
    pairs_are_examples: bool = False


@dataclass(frozen=True)
class ReadingDoubt:
    """Chances that a reader is unsure of a code that was misread, and of one read rightly."""

    unsure_when_wrong: float
    unsure_when_right: float
    source: str


@dataclass(frozen=True)
class RoutineCheck:
    """One routine check; `can_see` are the defects it can find, figures are in `unit`."""

    check: str
    name: str
    where: str
    how_often: str
    sample: str
    target: str
    limit: str
    can_see: tuple[str, ...]
    can_see_source: str
    source: str
    every_hours: float | None = None
    unit: str = ""
    target_low: float | None = None
    target_high: float | None = None
    tolerance: float | None = None
    warn_tolerance: float | None = None
    warn_above: float | None = None
    stop_above: float | None = None
    stop_below: float | None = None


@dataclass(frozen=True)
class Characteristic:
    """What is measured on cans; `lower`, `target` and `upper` are limits to start with, in `unit`.

    `tolerance` is the usual one either side of the plant's own target. `bad_side` is ``low``,
    ``high`` or ``both``, `shape` ``normal`` or ``skewed``, `chart` ``auto`` or a kind of chart.
    """

    characteristic: str
    name: str
    unit: str
    bad_side: str
    shape: str
    chart: str
    note: str
    source: str
    lower: float | None = None
    target: float | None = None
    upper: float | None = None
    tolerance: float | None = None


@dataclass(frozen=True)
class Caution:
    """What a page says at the point of action; it informs and never authorises."""

    place: str
    text: str
    source: str


@dataclass(frozen=True)
class ChangeKind:
    """One kind of change that a form offers."""

    kind: str
    name: str
    examples: str
    source: str


@dataclass(frozen=True)
class Reference:
    """All reference data of one folder, checked."""

    stages: tuple[Stage, ...]
    severities: tuple[Word, ...]
    origins: tuple[Word, ...]
    defect_types: tuple[DefectType, ...]
    tool_types: tuple[ToolType, ...]
    service_levels: tuple[ServiceLevel, ...]
    service_window: ServiceWindow
    run_in: RunIn
    stations: tuple[Station, ...]
    station_parts: tuple[StationPart, ...]
    confusable_digits: tuple[DigitConfusion, ...]
    reading_doubt: ReadingDoubt
    routine_checks: tuple[RoutineCheck, ...]
    characteristics: tuple[Characteristic, ...]
    cautions: tuple[Caution, ...]
    change_kinds: tuple[ChangeKind, ...]
