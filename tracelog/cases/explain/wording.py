"""Explanations in words: what a cause is, and in one sentence why it is likely."""

from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

from tracelog.cases.explain.evidence import CauseKind
from tracelog.cases.explain.explaining import Explained
from tracelog.cases.explain.inside import Inside
from tracelog.cases.explain.ranking import Likely
from tracelog.instants import parse_instant, show_instant
from tracelog.language import _, figure, in_words

_MOST_MACHINES = 4


def moment(seconds: float | None) -> datetime | None:
    """An instant of seconds since 1970, to the second."""
    return None if seconds is None else datetime.fromtimestamp(round(seconds), UTC)


def title(one: Likely, zone: ZoneInfo) -> str:
    """What a cause is, in a few words; instants in plant time."""
    name, place = one.cause.name, one.cause.place or ""
    words = {
        CauseKind.MACHINE: _("machine %(name)s", name=name),
        CauseKind.TOOL: _("tool %(name)s, %(place)s", name=name, place=in_words(place)),
        CauseKind.WEAR: _(
            "slow wear of tool %(name)s, %(place)s", name=name, place=in_words(place)
        ),
        CauseKind.BATCH: _("tools %(name)s, %(place)s", name=name, place=in_words(place)),
        CauseKind.COIL: _("coil %(name)s", name=name),
        CauseKind.CREW: _("crew %(name)s", name=name),
        CauseKind.SHIFT: _("shift %(name)s", name=name),
        CauseKind.HOUR: _("hours %(name)s", name=name),
        CauseKind.LINE: _("line %(name)s", name=name),
        CauseKind.STATION: _("what is found at %(name)s", name=in_words(name)),
        CauseKind.MARK: _("mark %(name)s of line %(place)s", name=name, place=place),
        CauseKind.PLANT: _("the whole plant"),
    }
    if one.cause.kind in words:
        return words[one.cause.kind]
    what, where, at = name.split(" @ ")
    told = {
        "what": in_words(what),
        "where": where,
        "at": show_instant(parse_instant(at, zone), zone),
    }
    if one.cause.kind is CauseKind.SERVICE:
        return _("service %(what)s of %(where)s, %(at)s", **told)
    return _("change of %(what)s on %(where)s, %(at)s", **told)


def reason(one: Likely, inside: Inside, answer: Explained, zone: ZoneInfo) -> str:
    """Why a cause is likely, in one sentence with its figures."""
    share = inside.strokes / answer.whole.strokes if answer.whole.strokes else 0.0
    told = {
        "what": _where(one, inside, answer),
        "cans": figure(inside.cans, ","),
        "all": figure(answer.whole.cans, ","),
        "share": _percent(share),
        "ratio": figure(one.ratio, ".3g"),
    }
    since = moment(one.since)
    if one.cause.kind is CauseKind.WEAR:
        return _(
            "%(cans)s of %(all)s cans come from %(what)s, more and more of them with the strokes "
            "on it: %(share)s of all strokes, %(ratio)s times the usual rate on the whole.",
            **told,
        )
    if one.cause.kind is CauseKind.STATION:
        return _(
            "%(cans)s of %(all)s cans were found %(what)s, %(ratio)s times as many as its usual "
            "share.",
            **told,
        )
    if one.cause.kind is CauseKind.MARK:
        return _(
            "%(cans)s of %(all)s cans bear %(what)s, %(ratio)s times as many as if all such parts "
            "were alike.",
            **told,
        )
    if since is None:
        return _(
            "%(cans)s of %(all)s cans come from %(what)s, in %(share)s of all strokes: %(ratio)s "
            "times what is usual there.",
            **told,
        )
    return _(
        "%(cans)s of %(all)s cans come from %(what)s since %(since)s, in %(share)s of all strokes: "
        "%(ratio)s times what is usual there.",
        since=show_instant(since, zone),
        **told,
    )


def _percent(share: float) -> str:
    return (
        f"{figure(100 * share, '.0f')} %" if share >= 0.095 else f"{figure(100 * share, '.2g')} %"
    )


def _where(one: Likely, inside: Inside, answer: Explained) -> str:
    name, kind = one.cause.name, one.cause.kind
    machines = _machines(inside, answer)
    plain = {
        CauseKind.MACHINE: _("machine %(name)s", name=name),
        CauseKind.CREW: _("the shifts of crew %(name)s", name=name),
        CauseKind.SHIFT: _("shift %(name)s", name=name),
        CauseKind.HOUR: _("the hours %(name)s", name=name),
        CauseKind.LINE: _("line %(name)s", name=name),
        CauseKind.STATION: _("at %(name)s", name=in_words(name)),
        CauseKind.MARK: _("the mark %(name)s", name=name),
        CauseKind.PLANT: _("all machines"),
        CauseKind.COIL: _("the machines that ran coil %(name)s", name=name),
    }
    if kind in plain:
        return plain[kind]
    what = in_words(name.partition(" @ ")[0])
    if kind is CauseKind.SERVICE:
        return _(
            "%(machines)s after its service '%(what)s', until the next one",
            machines=machines,
            what=what,
        )
    if kind is CauseKind.CHANGE:
        return _("%(machines)s under the change '%(what)s'", machines=machines, what=what)
    return _("%(machines)s while %(name)s was in", machines=machines, name=name)


def _machines(inside: Inside, answer: Explained) -> str:
    """Machines in the order in which the cause came to them."""
    if answer.ranking is None:
        return ""
    names = answer.ranking.ground.evidence.machines
    order = sorted(inside.stretches, key=lambda one: (one.start, one.machine))
    listed = list(dict.fromkeys(names[one.machine] for one in order))
    if len(listed) > _MOST_MACHINES:
        return _("%(count)d machines", count=len(listed))
    if len(listed) > 1 and one_after_another(inside):
        return _(" then ").join(listed)
    return ", ".join(listed)


def one_after_another(inside: Inside) -> bool:
    """Whether a cause was on its machines in turns, as a tool that moved."""
    order = sorted(inside.stretches, key=lambda one: one.start)
    return (
        all(one.end <= later.start for one, later in pairwise(order))
        and len({one.machine for one in order}) > 1
    )
