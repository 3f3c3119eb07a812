"""Signals as they are kept: day after day the same as worked out anew, and as by `--as-of`."""

import json
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, delete, func, select, update
from sqlalchemy.orm import Session

from tests.support.command import Command
from tests.support.databases import Databases, open_engine
from tests.trace import two_lines as plant
from tests.trace.two_lines import ACTOR, hour
from tests.trends.signals import small_plant
from tests.trends.signals.small_plant import DAYS, RISES, days, write_all, write_day
from tracelog.audit import AuditRecord, Subject, append
from tracelog.db import reading, writing
from tracelog.defects.actions import correct_entry
from tracelog.defects.facts import CorrectionFact
from tracelog.defects.queries import EntryFilter, entries
from tracelog.errors import Conflict, NotFound, TracelogError
from tracelog.keeping.integrity import look_over
from tracelog.plant.queries import directory, the_plant
from tracelog.trends.models import Signal, SignalBaseline, SignalEpoch
from tracelog.trends.signals.actions import decide, keep, set_budget
from tracelog.trends.signals.facts import BudgetFact, DecisionFact
from tracelog.trends.signals.queries import SignalView, kept_signals, signals_then
from tracelog.trends.signals.rules import Decision, Kind
from tracelog.trends.signals.watching import bring_up_to_date
from tracelog.trends.signals.working import work_out

END = hour(24 * DAYS)


@pytest.fixture
def filled(own_engine: Engine) -> Engine:
    """A database with all sixty days, signals not worked out yet."""
    with writing(own_engine) as session:
        write_all(session)
    return own_engine


def _kept(engine: Engine) -> list[SignalView]:
    with reading(engine) as session:
        return kept_signals(session, directory(session))


def _named(found: list[SignalView]) -> list[tuple[object, ...]]:
    """All that a signal says, without the ids, which differ between databases."""
    return [
        (
            *(one.machine.text, one.defect, one.kind, one.raised_at, one.since, one.since_low),
            *(one.since_high, one.ended_at, one.ratio, round(one.score, 9), one.count, one.strokes),
        )
        for one in found
    ]


def _then(engine: Engine, at: datetime) -> list[SignalView]:
    with reading(engine) as session:
        found = signals_then(session, the_plant(session), directory(session), at)
    return list(found.signals)


def test_every_day_gives_what_as_of_gives_afterwards(filled: Engine, databases: Databases) -> None:
    """A second database lives through the days; what it kept is held against `--as-of`."""
    told = 0
    living = open_engine(databases.migrated())
    with writing(living) as session:
        plant.write_plant(session)
    for number, day in enumerate(days()):
        with writing(living) as session:
            write_day(session, day)
        bring_up_to_date(living, day.ends_at)
        if number % 12 == 11 or number == RISES + 1:
            found = _kept(living)
            assert _named(found) == _named(_then(filled, day.ends_at)), number
            told += len(found)
            with Session(living) as session:
                assert look_over(session, day.ends_at, rebuild=False).derived == []
    living.dispose()
    assert told


def test_the_check_finds_signals_that_are_not_what_the_facts_say(filled: Engine) -> None:
    assert bring_up_to_date(filled, END)
    kept = _named(_kept(filled))
    with writing(filled) as session:
        session.execute(delete(Signal).where(Signal.defect == "split"))
        session.execute(update(SignalBaseline).values(shape=SignalBaseline.shape * 2))
    with writing(filled) as session:
        found = look_over(session, END, rebuild=True)
    assert [sentence.split(":")[0] for sentence in found.derived] == ["signal_baselines", "signals"]
    assert _named(_kept(filled)) == kept
    with Session(filled) as session:
        assert look_over(session, END, rebuild=False).is_whole


def test_signals_not_worked_out_yet_are_no_fault(filled: Engine) -> None:
    with Session(filled) as session:
        assert look_over(session, END, rebuild=False).is_whole
    assert not _kept(filled)


def test_the_risen_rate_is_told_with_its_start(filled: Engine) -> None:
    assert bring_up_to_date(filled, END)
    own = [one for one in _kept(filled) if one.machine.text == "1-2" and one.defect == "split"]
    rise = next(one for one in own if one.kind is Kind.RISE and one.raised_at > hour(24 * RISES))
    assert rise.is_open
    assert rise.raised_at < hour(24 * (RISES + 3))
    assert rise.since_low <= hour(24 * (RISES + 0.5))
    assert rise.since_high >= hour(24 * (RISES - 1))
    assert rise.rate_per_million is not None
    assert rise.rate_per_million > 4 * rise.baseline_per_million
    assert "times the baseline rate" in rise.rule


def test_nothing_new_is_nothing_to_do_and_a_new_entry_touches_its_machine(filled: Engine) -> None:
    assert bring_up_to_date(filled, END)
    assert not bring_up_to_date(filled, END)
    with writing(filled) as session:
        plant.log(session, 24 * DAYS - 1, "2-1", logged_at=hour(24 * DAYS - 1))
    with reading(filled) as session:
        work = work_out(session, END)
        assert work is not None
        known = directory(session)
        assert work.machine_ids == frozenset({known.machine_named("2-1").id})
        assert not work.is_anew
    assert bring_up_to_date(filled, END)
    assert _named(_kept(filled)) == _named(_then(filled, END))


def test_a_correction_of_a_late_entry_moves_what_it_touches(filled: Engine) -> None:
    assert bring_up_to_date(filled, END)
    with reading(filled) as session:
        asked = EntryFilter(start=hour(24 * (DAYS - 3)), defects=("split",), line=1)
        entry = entries(session, asked).rows[0]
    with writing(filled) as session:
        values = {"entry": str(entry.id), "reason": "misread", "values": {"dome_code": "1-1"}}
        correct_entry(session, CorrectionFact.read(values, plant.ZONE), ACTOR, END)
    assert bring_up_to_date(filled, END)
    assert _named(_kept(filled)) == _named(_then(filled, END))


def test_a_record_that_changes_no_signal_is_passed_over(filled: Engine) -> None:
    assert bring_up_to_date(filled, END)
    with writing(filled) as session:
        append(session, ACTOR, END, "write note", Subject("handover note", "x"), None, {})
    assert not bring_up_to_date(filled, END)


def test_who_was_slower_keeps_nothing(filled: Engine) -> None:
    with reading(filled) as session:
        mine = work_out(session, END)
    assert bring_up_to_date(filled, END)
    before = _kept(filled)
    assert mine is not None
    with writing(filled) as session:
        session.execute(delete(Signal).where(Signal.kind == "nothing"))
        assert not keep(session, mine)
    assert _kept(filled) == before


def test_without_strokes_or_a_plant_there_is_nothing_to_watch(own_engine: Engine) -> None:
    assert not bring_up_to_date(own_engine, END)
    with writing(own_engine) as session:
        plant.write_plant(session)
    bring_up_to_date(own_engine, END)
    assert _kept(own_engine) == []


def _decision(one: SignalView, decision: str, **more: object) -> DecisionFact:
    values = {
        "machine": one.machine.text,
        "defect": one.defect,
        "kind": one.kind.value,
        "raised_at": one.raised_at,
        "decision": decision,
        **more,
    }
    return DecisionFact.read(values, plant.ZONE)


def _decide(session: Session, one: SignalView, fact: DecisionFact) -> None:
    decide(session, fact, one.machine.id, ACTOR, END)


def test_a_decision_is_kept_with_who_and_why_and_closes_when_dismissed(filled: Engine) -> None:
    bring_up_to_date(filled, END)
    one = next(signal for signal in _kept(filled) if signal.is_open)
    with writing(filled) as session:
        records = session.scalar(select(func.count()).select_from(AuditRecord))
        _decide(session, one, _decision(one, "acknowledged"))
    again = next(signal for signal in _kept(filled) if signal.raised_at == one.raised_at)
    assert again.is_open
    assert again.decision is not None
    assert again.decision.decision is Decision.ACKNOWLEDGED
    with writing(filled) as session:
        with pytest.raises(TracelogError, match="say why"):
            _decide(session, one, _decision(one, "dismissed"))
        _decide(session, one, _decision(one, "dismissed", reason="a known trial"))
        assert session.scalar(select(func.count()).select_from(AuditRecord)) == (records or 0) + 2
    again = next(signal for signal in _kept(filled) if signal.raised_at == one.raised_at)
    assert not again.is_open
    assert again.decision is not None
    assert again.decision.reason == "a known trial"
    # Then and now: before it was decided it was open.
    then = _then(filled, END - timedelta(seconds=1))
    assert next(signal for signal in then if signal.raised_at == one.raised_at).is_open


def test_a_decision_about_nothing_is_refused_and_one_sent_twice_is_known(filled: Engine) -> None:
    bring_up_to_date(filled, END)
    one = next(signal for signal in _kept(filled) if signal.is_open)
    gone = _decision(one, "acknowledged", raised_at=hour(5))
    own_id = "0198c1f0-7a4e-7cc1-8000-3f1b6a2d9e70"
    with writing(filled) as session:
        with pytest.raises(NotFound, match="no such signal"):
            _decide(session, one, gone)
        fact = _decision(one, "acknowledged", id=own_id)
        _decide(session, one, fact)
        _decide(session, one, fact)
        with pytest.raises(Conflict, match="says something else"):
            _decide(session, one, _decision(one, "dismissed", reason="no", id=own_id))


def test_a_budget_holds_from_the_next_epoch_on(filled: Engine) -> None:
    with writing(filled) as session:
        said = {"false_signals_a_week": "0.2", "reason": "too many"}
        set_budget(session, BudgetFact.read(said, plant.ZONE), ACTOR, hour(24 * 30))
    bring_up_to_date(filled, END)
    with reading(filled) as session:
        rows = session.execute(
            select(SignalEpoch.starts_at, SignalEpoch.false_signals_a_week).order_by(
                SignalEpoch.starts_at
            )
        ).all()
    told = {row.starts_at < hour(24 * 30): row.false_signals_a_week for row in rows}
    assert told == {True: 1.0, False: 0.2}


@pytest.mark.parametrize("figure", ["0", "21", "many"])
def test_a_budget_that_makes_no_sense_is_told(figure: str) -> None:
    with pytest.raises(TracelogError, match=r"false_signals_a_week"):
        BudgetFact.read({"false_signals_a_week": figure, "reason": "x"}, plant.ZONE)


def test_the_command_prints_them_and_as_of_is_the_same(command: Command, filled: Engine) -> None:
    as_of = (END - timedelta(days=10)).isoformat()
    answer = json.loads(command("signals", "--as-of", as_of, "--json").stdout)
    assert answer["signals"]
    assert answer["judged_by"]["false_signals_a_week"] == 1.0
    assert {"machine", "defect", "raised_at", "since", "rule", "rate", "baseline", "open"} <= set(
        answer["signals"][0]
    )
    first = next(one for one in answer["signals"] if one["defect"] == "split")
    assert first["machine"] == "1-2"
    said = command("signals", "--as-of", as_of)
    assert "1-2" in said.stdout
    assert "false signals a week" in said.stderr
    assert small_plant.DAYS == DAYS
