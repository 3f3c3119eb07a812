"""Facts that programs send: one object, or an array of up to 10,000; all doors' own checks.

Rooms call `take` with the fact's model and the action that keeps it. The answer says of each fact
what became of it, in the order in which they were sent. An array is kept whole or not at all,
unless the call says ``?keep_good=1``.
"""

import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeAlias, TypeVar

from flask import Response
from sqlalchemy.orm import Session

from tracelog.audit import Actor
from tracelog.db import new_id
from tracelog.errors import BadFact, Fault, NotFound, TracelogError
from tracelog.facts import Fact, read_id, write_value
from tracelog.language import _
from tracelog.outcomes import Became, Outcome
from tracelog.web.parameters import Parameters
from tracelog.web.problems import problem_body
from tracelog.web.request import current_actor, current_session, now, the_plant_now
from tracelog.web.strict_json import answer_json, read_json

FactType = TypeVar("FactType", bound=Fact)
Record: TypeAlias = Callable[[Session, Sequence[FactType], Actor, datetime], list[Outcome]]
KeepOne: TypeAlias = Callable[[Session, FactType, Actor, datetime], Outcome]
MOST_ITEMS = 10_000
# What is said of a fact that is right by itself, in an array that was not kept.
GOOD = "good"
PROBLEM = "application/problem+json"


class TooManyItems(TracelogError):
    """An array holds more facts than one call takes."""

    status = 413


@dataclass(frozen=True)
class Judged:
    """One item of what was sent: the fact if it could be read, and what became of it."""

    fact: Fact | None
    outcome: Outcome


def take(
    fact: type[FactType], record: Record[FactType], in_address: Mapping[str, Any] | None = None
) -> Response:
    """Read what was sent as facts, have them kept, and answer what became of each.

    Args:
        fact: the model that reads each item.
        record: the action that keeps a batch.
        in_address: fields that the call's address gives, with their values.

    Returns:
        The answer. Its status decides whether the request is committed: what an array kept in
        part is undone unless the good ones are to be kept.

    Raises:
        WrongParameters: a parameter is wrong.
        BadFact: what was sent is neither an object nor an array.
        TooManyItems: the array is too long.
        UnreadableBody, WrongContentType: see `read_json`.
    """
    asked = Parameters(("keep_good",))
    keep_good = asked.yes_no("keep_good") or False
    asked.finish()
    sent = read_json()
    if isinstance(sent, dict):
        (judged,) = _judge([sent], fact, record, in_address or {})
        return _answer_one(judged)
    if not isinstance(sent, list):
        raise BadFact((Fault("", _("send an object, or an array of objects")),))
    if len(sent) > MOST_ITEMS:
        raise TooManyItems(
            _(
                "the array holds %(items)d items; at most %(most)d are taken at once, so send it"
                " in parts",
                items=len(sent),
                most=MOST_ITEMS,
            )
        )
    return _answer_all(_judge(sent, fact, record, in_address or {}), keep_good)


def take_one(fact: type[FactType], in_address: Mapping[str, Any]) -> FactType:
    """Read what was sent as one fact, for calls that take no array.

    Args:
        fact: the model that reads it.
        in_address: fields that the call's address gives, with their values.

    Raises:
        WrongParameters: a parameter is wrong.
        BadFact: a field is wrong, or what was sent is not an object.
        UnreadableBody, WrongContentType: see `read_json`.
    """
    Parameters(()).finish()
    sent = read_json()
    if not isinstance(sent, dict):
        raise BadFact((Fault("", _("send one object")),))
    return fact.read(_with_address(sent, in_address), the_plant_now().zone)


def keep_one(
    fact: type[FactType], keep: KeepOne[FactType], in_address: Mapping[str, Any] | None = None
) -> Response:
    """Read what was sent as one fact, keep it under its id or a new one, and answer.

    Args:
        fact: the model that reads it; one with an `id` that may be left out.
        keep: the action that keeps it.
        in_address: fields that the call's address gives, with their values.

    Raises:
        As `take_one`, and what the action refuses.
    """
    sent: Any = take_one(fact, in_address or {})
    key = sent.id or new_id()
    kept = sent.model_copy(update={"id": key})
    return answer_one(key, keep(current_session(), kept, current_actor(), now()))


def _with_address(sent: Mapping[str, Any], in_address: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of one item, those of the address among them.

    Raises:
        BadFact: a field of the address was sent too.
    """
    for name in in_address:
        if name in sent:
            sentence = _("stands in the address already; leave it out here")
            raise BadFact((Fault(name, sentence),))
    return {**sent, **in_address}


def _judge(
    items: Sequence[Any],
    fact: type[FactType],
    record: Record[FactType],
    in_address: Mapping[str, Any],
) -> list[Judged]:
    zone = the_plant_now().zone
    judged: list[Judged | None] = []
    good: list[FactType] = []
    for item in items:
        if not isinstance(item, dict):
            sentence = _("is not an object; send the fields by their names")
            judged.append(_refused((Fault("", sentence),)))
            continue
        try:
            good.append(fact.read(_with_address(item, in_address), zone))
            judged.append(None)
        except BadFact as problem:
            judged.append(_refused(problem.faults))
    outcomes = record(current_session(), good, current_actor(), now()) if good else []
    kept = iter(zip(good, outcomes, strict=True))
    return [Judged(*next(kept)) if one is None else one for one in judged]


def _refused(faults: tuple[Fault, ...]) -> Judged:
    return Judged(None, Outcome(Became.REFUSED, faults))


def _answer_one(judged: Judged) -> Response:
    if judged.outcome.is_kept:
        return answer_json(_result(judged), _status_of_kept([judged]))
    problem = _problem(judged.outcome)
    return _as_problem(answer_json(problem, problem["status"]))


def _answer_all(judged: Sequence[Judged], keep_good: bool) -> Response:
    refused = [place for place, one in enumerate(judged) if not one.outcome.is_kept]
    is_kept = keep_good or not refused
    results = [_result(one, place, is_kept) for place, one in enumerate(judged)]
    if is_kept:
        return answer_json(results, 200 if keep_good else _status_of_kept(judged))
    outcomes = [judged[place].outcome for place in refused]
    status = 409 if all(outcome.is_conflict for outcome in outcomes) else 422
    body = problem_body(
        status,
        _(
            "%(refused)d of %(items)d items are refused, so nothing was kept; the first is item"
            " %(index)d: %(why)s",
            refused=len(refused),
            items=len(judged),
            index=refused[0],
            why=_told(outcomes[0]),
        ),
    )
    return _as_problem(answer_json(body | {"results": results}, status))


def answer_one(key: uuid.UUID, outcome: Outcome) -> Response:
    """What became of one fact that an action of its own kept: 201 if it is new, else 200.

    Args:
        key: the fact's id, as sent or made here.
        outcome: as the action tells it.
    """
    result = {"status": outcome.became.value, "id": str(key)}
    return answer_json(result, 201 if outcome.became is Became.CREATED else 200)


def id_in_address(text: str, missing: str) -> uuid.UUID:
    """The id in a call's address.

    Args:
        text: as it stands in the address.
        missing: the sentence for what is no id, and so of nothing on record.

    Raises:
        NotFound: with `missing`.
    """
    try:
        return read_id(text)
    except ValueError:
        raise NotFound(missing) from None


def _status_of_kept(judged: Sequence[Judged]) -> int:
    return 201 if any(one.outcome.became is Became.CREATED for one in judged) else 200


def _result(judged: Judged, index: int | None = None, is_kept: bool = True) -> dict[str, Any]:
    """What became of one item: a word and what it is known by from now on, or a problem."""
    if not judged.outcome.is_kept:
        return _problem(judged.outcome, index)
    word = judged.outcome.became.value if is_kept else GOOD
    return {"status": word, **_known_by(judged.fact)}


def _known_by(fact: Fact | None) -> Mapping[str, Any]:
    if fact is None or not fact.key_fields:
        return {}
    if fact.key_fields == ("id",):
        return {"id": str(fact.key[0])}
    named = zip(fact.key_fields, fact.key, strict=True)
    return {"key": {name: _plain(value) for name, value in named}}


def _plain(value: object) -> object:
    return value if value is None or isinstance(value, str | int) else write_value(value)


def _problem(outcome: Outcome, index: int | None = None) -> dict[str, Any]:
    body = problem_body(409 if outcome.is_conflict else 422, _told(outcome))
    body["faults"] = [
        {"field": fault.field, "sentence": fault.sentence} for fault in outcome.faults
    ]
    return body if index is None else body | {"index": index}


def _told(outcome: Outcome) -> str:
    return "; ".join(str(fault) for fault in outcome.faults)


def _as_problem(response: Response) -> Response:
    response.content_type = PROBLEM
    return response
