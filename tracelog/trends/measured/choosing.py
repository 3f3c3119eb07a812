"""The choices of the page of measured values: what is offered, chosen, and led back to."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from tracelog.language import _
from tracelog.plant.queries import Directory
from tracelog.reference import characteristic_named
from tracelog.trends.measured.answers import MeasureAnswer
from tracelog.trends.measured.questions import LIMIT_FIELDS, MEASURE_FIELDS, KnownMeasures
from tracelog.trends.measured.rules import MeasuredChart, Scale
from tracelog.trends.measured.wording import characteristic_name, chart_name, scale_name
from tracelog.trends.page import day_or_moment
from tracelog.trends.series.rules import RunRules


@dataclass(frozen=True)
class MeasureChoices:
    """What can be chosen on the page, as values and labels of its fields."""

    characteristics: tuple[tuple[str, str], ...]
    lines: tuple[tuple[str, str], ...]
    machines: tuple[str, ...]
    charts: tuple[tuple[str, str], ...]
    scales: tuple[tuple[str, str], ...]
    rules: tuple[tuple[str, str], ...]
    limit_hints: Mapping[str, str]


def measure_choices(
    known: KnownMeasures, places: Directory, characteristic: str | None
) -> MeasureChoices:
    """What can be chosen on the page of this plant."""
    measured = {one.characteristic for one in known.measured}
    usual = characteristic_named(characteristic) if characteristic else None
    rules = {
        RunRules.NONE: _("none, the limits alone"),
        RunRules.WESTERN_ELECTRIC: _("Western Electric, 1956"),
        RunRules.NELSON: _("Nelson, 1984"),
    }
    hints = {}
    for name in LIMIT_FIELDS:
        default = getattr(usual, name) if usual else None
        hints[name] = (
            _("Blank: %(default)g, a default.", default=default)
            if default is not None
            else _("Blank: none.")
        )
    return MeasureChoices(
        characteristics=tuple(
            (
                word,
                characteristic_name(word)
                if word in measured
                else _("%(name)s (not measured yet)", name=characteristic_name(word)),
            )
            for word in known.words
        ),
        lines=tuple((str(line), name) for line, name in places.line_names.items()),
        machines=tuple(machine.text for machine in places.bodymakers),
        charts=tuple((str(kind), chart_name(kind)) for kind in MeasuredChart),
        scales=tuple((str(scale), scale_name(scale)) for scale in Scale),
        rules=tuple((str(word), text) for word, text in rules.items()),
        limit_hints=hints,
    )


def with_usual_machine(
    values: Mapping[str, Sequence[str]], known: KnownMeasures
) -> dict[str, Sequence[str]]:
    """The choices of somebody who has chosen no place: the machine measured last.

    All machines on one chart say little, so the page does not begin with that.
    """
    chosen: dict[str, Sequence[str]] = dict(values)
    if "machine" in values or "line" in values:
        return chosen
    given = [text.strip() for text in values.get("characteristic", ()) if text.strip()]
    machine_id = known.latest_machine(given[-1] if given else known.words[0])
    if machine_id is not None:
        chosen["machine"] = [known.places.by_id[machine_id].text]
    return chosen


def shown_measure_choices(
    answer: MeasureAnswer, values: Mapping[str, Sequence[str]], zone: ZoneInfo
) -> dict[str, str]:
    """The page's fields filled in with what was chosen or taken as usual."""
    asked = answer.question
    shown = {name: given[-1] for name, given in values.items() if given and name in MEASURE_FIELDS}
    return shown | {
        "characteristic": asked.characteristic,
        "from": day_or_moment(asked.start, zone),
        "to": day_or_moment(asked.end, zone, ends=True),
        "chart": str(asked.kind),
        "scale": str(asked.scale),
        "rules": str(asked.rules),
    }


def measure_query(values: Mapping[str, str]) -> str:
    """The choices as the query string that leads back to them."""
    named = [(name, values[name]) for name in MEASURE_FIELDS if values.get(name)]
    # That no place was chosen is said, or else the machine measured last would be.
    if not values.get("machine") and not values.get("line"):
        named.append(("machine", ""))
    return urlencode(named)
