"""Every page and every answer of the API, asked for what the simulated plant can answer."""

import io
import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

from PIL import Image
from sqlalchemy import Engine, select

from tests.bench.measure import Cost, cost_of
from tests.bench.server_pages import SERVER_ADDRESSES
from tests.bench.sheet_pages import sheet_addresses
from tests.bench.wall_pages import wall_addresses
from tests.support.site import CAST, Cast, Visit, application_on
from tracelog.db import reading, writing
from tracelog.defects.models import CurrentEntry, DefectType
from tracelog.defects.photos.actions import keep_photo
from tracelog.defects.photos.facts import PhotoFact
from tracelog.handover.signing.actions import sign_shift
from tracelog.handover.signing.facts import Side, SignatureFact
from tracelog.instants import now, write_instant
from tracelog.people.models import Account
from tracelog.plant.models import Coil, CoilRun, Pallet, PlannedPeriod, Tool, ToolFit
from tracelog.strokes.questions import jump_questions
from tracelog.trace.holds.actions import raise_hold
from tracelog.trace.holds.facts import HoldFact

# All that was logged in the year, as the driver gives it: what any page should cost less than.
BASELINE = "raw read"
CASE = uuid.UUID("0197b1d0-0000-7000-8000-000000000001")
HOLD = uuid.UUID("0197b1d0-0000-7000-8000-000000000002")
PHOTO = uuid.UUID("0197b1d0-0000-7000-8000-000000000004")
COMPLAINT = uuid.UUID("0197b1d0-0000-7000-8000-000000000003")
CHECK = uuid.UUID("0197b1d0-0000-7000-8000-000000000005")
SUBSCRIPTION = uuid.UUID("0197b1d0-0000-7000-8000-000000000011")
SIGNATURE = uuid.UUID("0197b1d0-0000-7000-8000-000000000006")
# Every twelfth of 48 cans is bad.
ROW = ("gggb" + 8 * "g") * 4


@dataclass(frozen=True)
class Known:
    """What the plant's history holds, by name: recent, yet with all of its own history known."""

    entry: uuid.UUID
    defect: str
    sampled_defect: str
    seen_at: datetime
    pallet: str
    coil: str
    tool: str
    account: uuid.UUID
    period: uuid.UUID
    fallen: tuple[str, datetime]


def known_of(engine: Engine) -> Known:
    """What can be asked for by name on this database."""
    with reading(engine) as session:
        entry, defect, seen_at = session.execute(
            select(CurrentEntry.entry_id, DefectType.defect, CurrentEntry.seen_at)
            .join(DefectType)
            .where(CurrentEntry.dome_code == "1-2", CurrentEntry.inspected.is_(None))
            .order_by(CurrentEntry.seen_at.desc())
            .limit(1)
        ).one()
        sampled = (
            select(DefectType.defect)
            .join(CurrentEntry)
            .where(CurrentEntry.inspected.is_not(None), CurrentEntry.cans > 0)
        )
        pallet = select(Pallet.pallet).where(Pallet.ended_at < seen_at)
        coil = select(Coil.coil).join(CoilRun).where(CoilRun.ended_at < seen_at)
        tool = select(Tool.serial).join(ToolFit).where(ToolFit.removed_at < seen_at)
        return Known(
            entry,
            defect,
            session.execute(sampled.order_by(CurrentEntry.seen_at.desc()).limit(1)).scalar_one(),
            seen_at,
            session.execute(pallet.order_by(Pallet.ended_at.desc()).limit(1)).scalar_one(),
            session.execute(coil.order_by(CoilRun.ended_at.desc()).limit(1)).scalar_one(),
            session.execute(tool.order_by(ToolFit.removed_at.desc()).limit(1)).scalar_one(),
            session.execute(select(Account.id).limit(1)).scalar_one(),
            session.execute(
                select(PlannedPeriod.id).order_by(PlannedPeriod.starts_at.desc()).limit(1)
            ).scalar_one(),
            *((one.machine.text, one.figures.to_at) for one in jump_questions(session, now())[:1]),
        )


def addresses(known: Known) -> dict[str, str]:
    """What is looked at, by the name under which it is shown."""
    at = write_instant(known.seen_at)
    before = write_instant(known.seen_at - timedelta(hours=4))
    fallen, fallen_at = known.fallen[0], write_instant(known.fallen[1])
    year = f"from={known.seen_at - timedelta(days=364):%Y-%m-%d}&bucket=week"
    since = year.partition("&")[0]
    suspect = f"machine=1-2&defect={known.defect}&bad_at={at}&good_at={before}"
    return {
        "Floor": "/",
        "Log": "/log",
        "Log: one entry": f"/log/{known.entry}",
        "Log: what a scan stands for": "/log/scan?text=1-2",
        "Labels of machines": "/labels",
        "Labels of tools": "/labels?kind=tools&size=small",
        "Machine, 1 day": "/machines/1/bodymaker/2?days=1",
        "Machine, 28 days": "/machines/1/bodymaker/2",
        "Machine, 365 days": "/machines/1/bodymaker/2?days=365",
        "Trace: the question": "/trace",
        "Trace: a code and a time": f"/trace?code=1-2&at={at}",
        "Trace: half a code": f"/trace?code=1-%3F&at={at}",
        "Trace: a pallet": f"/trace?pallet={known.pallet}",
        "Trace: what a coil made": f"/trace?kind=coil&name={known.coil}",
        "Trace: what a tool made": f"/trace?kind=tool&name={known.tool}",
        "Trace: what a machine made": "/trace?kind=machine&name=1-2",
        "Trace: what a crew made": "/trace?kind=crew&name=A",
        "Trace: what a machine made, csv": "/trace/used/uses.csv?machine=1-2",
        "Trace: a pallet's events": f"/trace/epcis.jsonld?pallet={known.pallet}",
        "Service": "/service",
        "Service: record": "/service/record?machine=1-2",
        "Service: changed tools": "/service/record/tools?machine=1-2",
        "Tools": "/service/tools",
        "Tools: all": "/service/tools?state=all",
        "Tools: one card": f"/service/tools/{known.tool}",
        "Service: lives": "/service/lives",
        "Service: lives of a type": "/service/lives/ring-3",
        "Service: lives, csv": "/service/lives.csv?tool_type=ring-3",
        "Plan": "/service/plan",
        "Plan as a calendar file": "/service/plan.ics",
        "Plan, csv": "/service/plan.csv",
        "Calendar": "/service/calendar",
        "Calendar, half a year": "/service/calendar?weeks=26",
        "Calendar: one period": f"/service/calendar/{known.period}",
        "Calendar as a file": "/service/calendar.ics",
        "Counters": "/counters",
        "Counters: one question": f"/counters/question?machine={fallen}&to_at={fallen_at}",
        "Counters: read one": "/counters/reading?machine=1-2",
        "Rejected messages": "/counters/rejected",
        "Trends": "/trends",
        "Trends: a machine by day": "/trends?machine=1-2&bucket=day",
        "Trends: a year by week": f"/trends?{year}",
        "Trends: samples": f"/trends?evidence=samples&defect={known.sampled_defect}",
        "Trends: rates, csv": "/trends/rates.csv",
        "Trends: chart, csv": "/trends/chart.csv",
        "Trends: Pareto, csv": "/trends/pareto.csv",
        "Trends: Pareto, xlsx": "/trends/pareto.xlsx",
        "Trends: chart to explore": "/trends/chart.json",
        "Control chart": "/trends/chart?machine=1-2&rules=nelson-1984",
        "Control chart: a year by week": f"/trends/chart?{year}",
        "Control chart: strokes between entries": "/trends/chart?machine=1-2&chart=gaps",
        "Control chart: events, csv": "/trends/chart/events.csv",
        "Entries": "/log/entries",
        "Entries: a machine and a kind": f"/log/entries?machine=1-2&defect={known.defect}",
        "Trends: signals": "/trends/signals",
        "Trends: signals, csv": "/trends/signals.csv",
        "Trends: funnel": f"/trends/funnel?{since}",
        "Trends: funnel, csv": "/trends/funnel.csv?by=line",
        "Trends: heat map, a quarter of days": "/trends/heat?against=own",
        "Trends: heat map, kinds of defect": f"/trends/heat?columns=defect&{since}",
        "Trends: heat map, csv": "/trends/heat.csv",
        "Trends: year against year": "/trends/years",
        "Trends: weeks against weeks": "/trends/years?step=week&machine=1-2",
        "Trends: year against year, csv": "/trends/years.csv",
        "Trends: measurements": "/trends/measurements",
        "Trends: measurements of a line": "/trends/measurements?characteristic=dome-depth&line=1",
        "Trends: measured points, csv": "/trends/measurements/points.csv?machine=1-2",
        "Trends: gauge studies": "/trends/gauge",
        "Trends: one gauge study": "/trends/gauge/study?study=bench",
        "Trends: one gauge study, csv": "/trends/gauge/study.csv?study=bench",
        "Cases": "/cases",
        "Cases: all with a word": "/cases?state=all&words=bench",
        "Cases, csv": "/cases.csv?state=all",
        "Case: the form": "/cases/new",
        "Case": f"/cases/{CASE}",
        "Case: explained then and now": f"/cases/{CASE}/explanation",
        "Case: printed": f"/cases/{CASE}/print",
        "Case: saved with pictures": f"/cases/{CASE}.zip",
        "Explanations: the question": "/cases/explain",
        "Explanations: eight weeks": f"/cases/explain?defect={known.defect}",
        "Explanations: a year": f"/cases/explain?defect={known.defect}&{since}",
        "Explanations, csv": f"/cases/explain.csv?defect={known.defect}",
        "Station parts": "/cases/sequence/parts",
        "Station parts, csv": "/cases/sequence/parts.csv",
        "Dome-number check": "/cases/dome-numbers",
        "Dome-number check: cans": f"/cases/dome-numbers?codes=1-2+1-2&seen_at={at}",
        "Dome-number check, csv": f"/cases/dome-numbers.csv?codes=1-2+1-2&seen_at={at}",
        "Sequence check": "/cases/sequence",
        "Sequence check: a row": f"/cases/sequence?line=1&taken_after=light-tester&cans={ROW}",
        "Sequence check: kept": f"/cases/sequence/{CHECK}",
        "Sequence checks, csv": "/cases/sequence.csv",
        "Suspect cans: the question": "/trace/suspects",
        "Suspect cans": f"/trace/suspects?{suspect}",
        "Suspect cans, csv": f"/trace/suspects/pallets.csv?{suspect}",
        "Holds": "/holds?state=all",
        "Holds, csv": "/holds.csv",
        "Hold from a window": f"/holds/new?machine=1-2&made_from={before}&made_to={at}",
        "Hold": "/holds/1",
        "Hold: printed": "/holds/1/print",
        "Hold: pallets, csv": "/holds/1/pallets.csv",
        "Complaints": "/complaints",
        "Complaints, csv": "/complaints.csv",
        "Complaint: the form": "/complaints/new",
        "Complaint": "/complaints/1",
        "Complaint: the answer": "/complaints/1/answer",
        "Photo": f"/photos/{PHOTO}",
        "Handover": "/handover",
        "Handover: shifts": "/handover/shifts",
        "Handover: the page as signed": f"/handover/signatures/{SIGNATURE}.json",
        "Handover: the week": "/handover/week",
        "Handover: the week, json": "/handover/week.json",
        "Handover: the week, csv": "/handover/week.csv",
        "Spreadsheets": "/spreadsheets",
        "Set-up": "/setup",
        "Set-up: plant": "/setup/plant",
        "Set-up: lines": "/setup/lines",
        "Set-up: machines": "/setup/machines",
        "Set-up: one machine": "/setup/machines/1/bodymaker/2",
        "Set-up: shifts": "/setup/shifts",
        "Set-up: levels": "/setup/service-levels",
        "Set-up: people": "/setup/people",
        "Notices": "/notices",
        "Notices: what is asked for": "/notices/subscriptions",
        "Notices: one subscription": f"/notices/subscriptions/{SUBSCRIPTION}",
        "Notices: deliveries": "/notices/deliveries",
        "Notices: deliveries, csv": "/notices/deliveries.csv",
        "Without network": "/offline",
        "Without network: the worker": "/offline-worker.js?sync=yes",
        "Tablet: contact": "/log/contact",
        "Own account": "/me",
        "Own sessions": "/me/sessions",
        "Accounts": "/accounts",
        "Account": f"/accounts/{known.account}",
        "Erase a name": f"/accounts/{known.account}/erase",
        "Shared tablets": "/tablets",
        "PINs": "/pins",
        "Wall screens": "/screens",
        "API: signals": "/api/v1/signals",
        "API: rates": "/api/v1/rates?by=machine",
        "API: rates of a year by tool": f"/api/v1/rates?by=tool&defect={known.defect}&{since}",
        "API: rates of a year by coil": f"/api/v1/rates?by=coil&defect={known.defect}&{since}",
        "API: rates of a year, crew and shift": f"/api/v1/rates?by=crew,shift&{since}",
        "API: rates, a year by week": f"/api/v1/rates?by=machine&{year}",
        "API: chart": "/api/v1/charts?machine=1-2",
        "API: baselines": "/api/v1/baselines",
        "API: funnel": f"/api/v1/funnel?{since}",
        "API: years": "/api/v1/years",
        "API: measurement chart": "/api/v1/measurement-charts?machine=1-2",
        "API: gauge studies": "/api/v1/gauge-studies",
        "API: one gauge study": "/api/v1/gauge-studies/bench",
        "API: trace a can": f"/api/v1/trace?code=1-2&at={at}",
        "API: events of a coil": f"/api/v1/epcis?coil={known.coil}",
        "API: trace a tool": f"/api/v1/trace?tool={known.tool}",
        "API: suspect cans": f"/api/v1/suspects?{suspect}",
        "API: machines": "/api/v1/machines",
        "API: one machine": "/api/v1/machines/1/bodymaker/2",
        "API: counter questions": "/api/v1/counter-questions?settled=1",
        "API: planned periods": "/api/v1/planned-periods",
        "API: forecast": "/api/v1/forecast",
        "API: service plan": "/api/v1/service-plan",
        "API: promised services": "/api/v1/service-pins",
        "API: planning": "/api/v1/planning",
        "API: dome numbers": f"/api/v1/dome-numbers?codes=1-2,1-2&seen_at={at}",
        "API: a row of cans": f"/api/v1/sequence?line=1&taken_after=light-tester&cans={ROW}",
        "API: sequence checks": "/api/v1/sequence-checks",
        "API: one sequence check": f"/api/v1/sequence-checks/{CHECK}",
        "API: station parts": "/api/v1/station-parts",
        "API: tools": "/api/v1/tools",
        "API: one tool": f"/api/v1/tools/{known.tool}",
        "API: tool lives": "/api/v1/tool-lives",
        "API: defects": "/api/v1/defects",
        "API: one defect": f"/api/v1/defects/{known.entry}",
        "API: cases": "/api/v1/cases",
        "API: explanations": f"/api/v1/explain?defect={known.defect}",
        "API: one case": f"/api/v1/cases/{CASE}",
        "API: a case explained then and now": f"/api/v1/cases/{CASE}/explanation",
        "API: holds": "/api/v1/holds",
        "API: one hold": f"/api/v1/holds/{HOLD}",
        "API: complaints": "/api/v1/complaints",
        "API: one complaint": f"/api/v1/complaints/{COMPLAINT}",
        "API: photo": f"/api/v1/photos/{PHOTO}",
        "API: handover": "/api/v1/handover",
        "API: handover, shifts": "/api/v1/handover/shifts",
        "API: handover, the week": "/api/v1/handover/week",
        "API: subscriptions": "/api/v1/subscriptions",
        "API: notices": "/api/v1/notices",
        "API: rejected messages": "/api/v1/rejected-messages",
    }


def visitor(engine: Engine, folder: Path) -> tuple[Visit, dict[str, str]]:
    """The administrator, signed in and with one case open, and the addresses to look at."""
    app = application_on(engine, folder)
    visit = Visit(app.test_client())
    Cast(engine).sign_in(visit, "administrator")
    known = known_of(engine)
    _open_case(visit, known)
    _keep_study(visit, known)
    _hold_stock(engine, known)
    _sign(engine, known)
    _complain(visit, known)
    _keep_row(visit, known)
    _subscribe(visit)
    return visit, addresses(known) | SERVER_ADDRESSES | sheet_addresses(
        visit, known.defect
    ) | wall_addresses(engine)


def _open_case(visit: Visit, known: Known) -> None:
    visit.get("/cases/new")
    answer = visit.post(
        "/cases",
        id=CASE,
        title="Bench",
        place="1-2",
        defect=known.defect,
        since_at=write_instant(known.seen_at - timedelta(days=28)),
    )
    if answer.status_code != 303:
        raise LookupError(f"the case was answered {answer.status}")


def _png() -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (640, 480), "grey").save(held, "PNG")
    return held.getvalue()


def _hold_stock(engine: Engine, known: Known) -> None:
    """What the machine made in four hours, put on hold by who may do that; and a photo."""
    fact = HoldFact(
        id=HOLD,
        reason="Bench",
        machine="1-2",
        made_from=known.seen_at - timedelta(hours=4),
        made_to=known.seen_at,
    )
    with writing(engine) as session:
        raise_hold(session, fact, CAST["quality"].actor(), now())
        keep_photo(
            session,
            PhotoFact(id=PHOTO, entry=known.entry, photo=_png()),
            CAST["quality"].actor(),
            now(),
        )


def _sign(engine: Engine, known: Known) -> None:
    """A shift that was handed over."""
    fact = SignatureFact(id=SIGNATURE, at=known.seen_at, side=Side.OUTGOING, words="Bench")
    with writing(engine) as session:
        sign_shift(session, fact, CAST["supervisor"].actor(), now())


def _complain(visit: Visit, known: Known) -> None:
    visit.get("/complaints/new")
    answer = visit.post(
        "/complaints",
        id=COMPLAINT,
        received_at=write_instant(known.seen_at),
        code="1-2",
        pallet=known.pallet,
        defect=known.defect,
    )
    if answer.status_code != 303:
        raise LookupError(f"the complaint was answered {answer.status}")


def _subscribe(visit: Visit) -> None:
    visit.get("/notices/subscriptions")
    answer = visit.post(
        "/notices/subscriptions", id=SUBSCRIPTION, kind_service="yes", kind_hold="yes", way="page"
    )
    if answer.status_code != 303:
        raise LookupError(f"the subscription was answered {answer.status}")


def _keep_row(visit: Visit, known: Known) -> None:
    visit.get("/cases/sequence")
    answer = visit.post(
        "/cases/sequence",
        id=CHECK,
        line="1",
        taken_after="light-tester",
        defect=known.defect,
        taken_at=write_instant(known.seen_at),
        cans=ROW,
    )
    if answer.status_code != 303:
        raise LookupError(f"the row of cans was answered {answer.status}")


def _keep_study(visit: Visit, known: Known) -> None:
    """Ten parts, three appraisers, three trials."""
    at = write_instant(known.seen_at)
    rows = [
        f"bench,thin-wall,mm,{part},{who},{trial},{0.09 + part / 1000 + trial / 5000:.4f},{at}"
        for part in range(1, 11)
        for who in ("Kim", "Noa", "Robin")
        for trial in (1, 2, 3)
    ]
    visit.get("/trends/gauge")
    answer = visit.post("/trends/gauge", rows="\n".join(rows))
    if answer.status_code != 303:
        raise LookupError(f"the gauge study was answered {answer.status}")


def costs_of_pages(engine: Engine, folder: Path, repeats: int) -> tuple[list[Cost], Cost]:
    """What each page costs as the administrator sees it, and what the baseline costs."""
    visit, looked_at = visitor(engine, folder)
    costs = {
        name: cost_of(name, partial(body_of, visit, address), engine, repeats)
        for name, address in looked_at.items()
    }
    baseline = cost_of(BASELINE, partial(raw_read, engine), engine, repeats)
    return [*costs.values(), baseline], baseline


def body_of(visit: Visit, address: str) -> bytes:
    """What a page sends; an error page is no page."""
    answer = visit.get(address)
    if answer.status_code != 200:
        raise LookupError(f"{address} answers {answer.status}")
    return answer.data


def raw_read(engine: Engine) -> bytes:
    """Every entry as it stands, read and thrown away; returns one byte for each."""
    with engine.connect() as connection:
        return b"." * len(connection.exec_driver_sql("SELECT * FROM current_entries").all())
