"""What the time axis of a dossier shows: everything that happened to the machine and the can."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from tracelog.language import _, figure, in_words
from tracelog.trace.axis import Axis, Happened, LaneFacts, Lasted, Scale, axis
from tracelog.trace.dossier import Dossier
from tracelog.trends.signals.wording import short
from tracelog.web.numbers import instant, probability

# Nothing farther away than this is worth room; what is stands at the edge.
_FARTHEST = timedelta(days=400)
_AFTER = timedelta(hours=24)


def dossier_axis(found: Dossier, zone: ZoneInfo) -> Axis:
    """The time axis of a dossier, around the time in which the can may have been made."""
    lanes = [lane for lane in _lanes(found, zone) if lane.marks or lane.bars]
    return axis(_scale(found, lanes), lanes)


def _scale(found: Dossier, lanes: list[LaneFacts]) -> Scale:
    made = found.made
    moments = [at for lane in lanes for at, _text in lane.marks]
    moments += [start for lane in lanes for start, *_rest in lane.bars]
    ends = [end for lane in lanes for _start, end, *_rest in lane.bars if end is not None]
    first = min([made.start - timedelta(days=1), *moments])
    last = max([made.end + timedelta(hours=2), *moments, *ends])
    latest = max(min(made.end + _AFTER, found.as_of), made.end + timedelta(hours=2))
    return Scale(made.start, made.end, max(first, made.start - _FARTHEST), min(last, latest))


def _lanes(found: Dossier, zone: ZoneInfo) -> Iterator[LaneFacts]:
    then = found.then

    def happened(at: datetime, text: str) -> Happened:
        return at, f"{instant(at, zone)}: {text}"

    def lasted(start: datetime, end: datetime | None, text: str, strength: float = 1.0) -> Lasted:
        until = instant(end, zone) if end is not None else _("open end")
        return start, end, strength, f"{instant(start, zone)} – {until}: {text}"

    yield LaneFacts(
        _("Coils"),
        "bar",
        (),
        [lasted(one.started_at, one.ended_at, one.coil) for one in found.coils],
    )
    yield LaneFacts(
        _("Tools"),
        "ring",
        [
            happened(
                one.stay.fitted_at,
                _(
                    "%(serial)s fitted as %(place)s",
                    serial=one.stay.serial,
                    place=in_words(one.stay.position),
                ),
            )
            for one in then.tools
        ],
    )
    yield LaneFacts(
        _("Services"),
        "diamond",
        [happened(one.done_at, in_words(one.service)) for one in then.services],
    )
    yield LaneFacts(
        _("Changes"), "wedge", [happened(one.at, in_words(one.kind)) for one in then.changes]
    )
    yield LaneFacts(
        _("Measured"),
        "cross",
        [
            happened(
                one.measured_at,
                " ".join(
                    filter(None, (in_words(one.characteristic), figure(one.mean, ".4g"), one.unit))
                ),
            )
            for one in then.measured
        ],
    )
    yield LaneFacts(
        _("Signals"),
        "notch",
        [happened(one.raised_at, short(one)) for one in then.signals],
        [lasted(one.since, one.ended_at, short(one), 0.3) for one in then.signals],
    )
    yield LaneFacts(
        _("Entries"),
        "dot",
        [
            happened(one.occurred_at, f"{in_words(one.defect_title)}, {one.cans}")
            for one in then.entries
        ],
    )
    highest = max((one.probability or 0.0 for one in found.laid.pallets), default=0.0) or 1.0
    yield LaneFacts(
        _("Pallets"),
        "bar",
        (),
        [
            lasted(
                one.stay.started_at,
                one.stay.ended_at,
                f"{one.stay.pallet}, {probability(one.probability)}",
                0.15 + 0.85 * (one.probability or 0.0) / highest,
            )
            for one in found.laid.pallets
            if one.probability is None or one.probability > 0
        ],
    )
