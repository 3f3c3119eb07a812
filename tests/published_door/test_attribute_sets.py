"""Published attribute data sets, imported as a plant folder and read back as charts and rates.

Each figure is read through three doors: the charts' own function, the API, and the command with
`--json`. The sources are named at each test and in shared/published/index.toml.
"""

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from tests.published.figures import Check
from tests.published_door.attribute_plant import (
    BAD_CAN,
    CANS,
    CLOTH,
    FAULT,
    HOSPITALS,
    TYRES,
    WAFERS,
    WITHIN_4_HOURS,
    month,
    sample_at,
    week_at,
    write_folder,
)
from tests.support.command import Command
from tests.support.databases import Databases, Kind, open_engine
from tests.support.site import Cast, Visit, application_on
from tracelog.db import reading
from tracelog.facts import write_value
from tracelog.plant.queries import directory, the_plant
from tracelog.stats.compare import fractions_differ
from tracelog.trends.answers import chart_answer, rates_answer
from tracelog.trends.charts import chart
from tracelog.trends.queries import known_words
from tracelog.trends.questions import read_chart_question, read_rate_question
from tracelog.trends.rates import rates

Asked = dict[str, Any]
Ask = Callable[..., Asked]


@pytest.fixture(scope="module")
def published_url(database_kind: Kind, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a database into which the command imported the published sets."""
    databases = Databases(database_kind)
    url, folder = databases.migrated(), tmp_path_factory.mktemp("published")
    Command(url, folder)("import", write_folder(folder / "plant"))
    yield url
    databases.remove_all()


@pytest.fixture(scope="module", params=["function", "api", "command"])
def ask(
    request: pytest.FixtureRequest, published_url: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Ask]:
    """Asks for rates, or for a chart where `chart` is given, through one of the doors."""
    engine = open_engine(published_url)
    folder = tmp_path_factory.mktemp("door")
    if request.param == "function":
        yield lambda **choices: _by_function(engine, choices)
    elif request.param == "command":
        command = Command(published_url, folder)
        yield lambda **choices: json.loads(command("rates", "--json", *_options(choices)).stdout)
    else:
        visit = Visit(application_on(engine, folder).test_client())
        Cast(engine).sign_in(visit, "quality")
        yield lambda **choices: _by_api(visit, choices)
    engine.dispose()


def _pairs(choices: Asked) -> Iterator[tuple[str, str]]:
    for name, value in choices.items():
        for one in value if isinstance(value, list) else [value]:
            yield name.rstrip("_"), write_value(one)


def _options(choices: Asked) -> list[str]:
    return [word for name, text in _pairs(choices) for word in (_option(name), text)]


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _by_api(visit: Visit, choices: Asked) -> Asked:
    call = "charts" if "chart" in choices else "rates"
    answer = visit.get(f"/api/v1/{call}?{urlencode(list(_pairs(choices)))}")
    assert answer.status_code == 200, answer.text
    found: Asked = answer.get_json()
    return found


def _by_function(engine: Any, choices: Asked) -> Asked:
    values: dict[str, list[str]] = {}
    for name, text in _pairs(choices):
        values.setdefault(name, []).append(text)
    with reading(engine) as session:
        plant, places = the_plant(session), directory(session)
        known = known_words(session, plant, places, datetime(2026, 6, 1, tzinfo=UTC))
        if "chart" in values:
            return chart_answer(chart(session, read_chart_question(values, known)))
        return rates_answer(rates(session, read_rate_question(values, known)))


def _cans(ask: Ask, kind: str, last: int, exclude: list[int] | None = None) -> Asked:
    """A chart of all cans; samples up to `last` set the limits, without those excluded."""
    return ask(
        chart=kind,
        machine=CANS,
        defect=BAD_CAN,
        from_=sample_at(0),
        to=sample_at(54),
        baseline_from=sample_at(0),
        baseline_to=sample_at(last),
        exclude=[sample_at(number - 1) for number in exclude or ()],
    )


def test_a01_p_chart_of_orange_juice_cans(ask: Ask) -> None:
    """Montgomery, Introduction to Statistical Quality Control, 6th ed., Example 7.1, Tables 7.1
    and 7.3; also NIST/SEMATECH e-Handbook 6.3.3.2."""
    check = Check("A01")
    trial = _cans(ask, "p", last=30)
    first = trial["points"][0]
    check.meets("trial samples 1-30: centre", trial["centre"])
    check.meets("trial samples 1-30: UCL", first["upper"])
    check.meets("trial samples 1-30: LCL", first["lower"])
    above = [
        point["number"]
        for point in trial["points"][:30]
        if point["outside"] and point["value"] > point["upper"]
    ]
    assert [number for number in trial["outside"] if number <= 30] == above
    check.meets("points above UCL", above)

    kept = _cans(ask, "p", last=30, exclude=above)
    check.meets("without 15 and 23: centre", kept["centre"])
    check.meets("without 15 and 23: UCL", kept["points"][0]["upper"])
    check.meets("without 15 and 23: LCL", kept["points"][0]["lower"])

    later = _sampled(ask, 30, 54)
    check.meets("later samples 31-54: mean fraction", later["fraction"])
    before = [point for point in kept["points"] if point["baseline"]]
    change = fractions_differ(
        sum(point["count"] for point in before),
        sum(point["exposure"] for point in before),
        later["cans"],
        later["inspected"],
    )
    check.meets("z of the difference, pooled (28 samples before, 24 after)", change.statistic)
    check.all_met()


def _sampled(ask: Ask, first: int, last: int) -> Asked:
    """The rate of the samples from `first` (counted from 0) up to but without `last`."""
    answer = ask(defect=BAD_CAN, evidence="samples", from_=sample_at(first), to=sample_at(last))
    [row] = answer["rates"]
    assert row["machine"] == CANS
    found: Asked = row
    return found


def test_a02_np_chart_of_orange_juice_cans(ask: Ask) -> None:
    """Montgomery, 6th ed., sec. 7.2.1; the book works from the rounded fraction."""
    check = Check("A02")
    answer = _cans(ask, "np", last=30)
    check.meets("samples 1-30, n = 50: centre", answer["centre"])
    check.meets("UCL", answer["points"][0]["upper"])
    check.meets("LCL", answer["points"][0]["lower"])
    check.all_met()


def _monthly(ask: Ask, kind: str, machine: str, months: int) -> Asked:
    return ask(
        chart=kind,
        machine=machine,
        defect=FAULT,
        bucket="month",
        from_=month(0),
        to=month(months),
    )


def test_a03_c_chart_of_wafers(ask: Ask) -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.1; wafer 3 lies exactly on the limit and is not beyond it."""
    check = Check("A03")
    answer = _monthly(ask, "c", WAFERS, 25)
    points = answer["points"]
    check.meets("total", sum(point["count"] for point in points))
    check.meets("centre", answer["centre"])
    check.meets("UCL", points[0]["upper"])
    check.meets("LCL", points[0]["lower"])
    check.meets("points above UCL", answer["outside"])
    assert points[2]["value"] == points[2]["upper"]
    check.all_met()


def test_a04_u_chart_of_dyed_cloth(ask: Ask) -> None:
    """Montgomery, 6th ed., Example 7.5, Tables 7.10 and 7.11."""
    check = Check("A04")
    answer = _monthly(ask, "u", CLOTH, 10)
    points = answer["points"]
    check.meets("sum of counts", sum(point["count"] for point in points))
    check.meets("sum of units", sum(point["exposure"] for point in points) / 1_000_000)
    check.meets("centre", answer["centre"])
    for size in (10, 8, 13):
        point = next(one for one in points if one["exposure"] == size * 1_000_000)
        check.meets(f"UCL at {size} units", point["upper"])
        check.meets(f"LCL at {size} units", point["lower"])
    check.meets("points outside", answer["outside"])
    check.all_met()


def test_a05_u_chart_of_tyres(ask: Ask) -> None:
    """ISO 8258:1991, clause 13, numerical example on tyres."""
    check = Check("A05")
    answer = _monthly(ask, "u", TYRES, 14)
    check.meets("total", sum(point["count"] for point in answer["points"]))
    check.meets("centre", answer["centre"])
    check.meets("UCL", answer["points"][0]["upper"])
    check.meets("LCL (negative, so none)", answer["points"][0]["lower"])
    check.all_met()


def test_a05_the_rate_of_tyres_is_the_centre_of_their_chart(ask: Ask) -> None:
    """The same example as a rate: 55 faults on 210 tyres, 0.26 per tyre (to 0.005)."""
    answer = ask(defect=FAULT, machine=TYRES, from_=month(0), to=month(14))
    [row] = answer["rates"]
    assert (row["occurrences"], row["strokes"]) == (55, 210_000_000)
    check = Check("A05")
    check.meets("total", row["cans"])
    check.meets("centre", row["per_million"])
    assert row["low"] < row["per_million"] < row["high"]


def test_a06_laney_p_chart_of_emergency_attendances(ask: Ask) -> None:
    """D. B. Laney (2002), Quality Engineering 14(4) 531-537, on data of Mohammed et al. (2013),
    BMJ Quality & Safety 22:362-368."""
    check = Check("A06")
    choices = {
        "machine": HOSPITALS,
        "defect": WITHIN_4_HOURS,
        "from_": week_at(0),
        "to": week_at(20),
    }
    plain = ask(chart="p", **choices)
    check.meets("centre", plain["centre"])
    check.meets("ordinary p limits, week 1: LCL", plain["points"][0]["lower"])
    check.meets("ordinary p limits, week 1: UCL", plain["points"][0]["upper"])
    check.meets("weeks outside the ordinary limits", len(plain["outside"]))
    laney = ask(chart="laney-p", **choices)
    check.meets("sigma_z = mean moving range of z / d2(2)", laney["sigma_z"])
    check.meets("p' limits, week 1: LCL", laney["points"][0]["lower"])
    check.meets("p' limits, week 1: UCL", laney["points"][0]["upper"])
    check.meets("weeks outside p' limits", len(laney["outside"]))
    check.all_met()
    # Left to itself the chart finds that these points vary more than chance makes them.
    chosen = ask(chart="auto", evidence="samples", **choices)
    assert chosen["chart"] == "laney-p"


def test_the_default_period_ends_with_the_data(ask: Ask) -> None:
    answer = ask(defect=FAULT)
    ends_at = datetime.fromisoformat(write_value(answer["to"]))
    assert ends_at - datetime.fromisoformat(write_value(answer["from"])) == timedelta(days=28)
    assert ends_at.date() == (week_at(19) + timedelta(days=1)).date()


def test_the_folder_holds_every_published_row(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant")
    entries = (folder / "defects.csv").read_text(encoding="utf-8").splitlines()
    assert len(entries) - 1 == 54 + 25 + 10 + 14 + 20
