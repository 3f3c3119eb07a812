"""On a plant that was just set up every page answers, and what is empty says so in a sentence."""

import re
from pathlib import Path

import pytest
from flask import Flask
from sqlalchemy import Engine

from tests.intake.folders import import_good, write_folder
from tests.support.markup import seen
from tests.support.site import Cast, Visit

PLANT = {
    "lines.csv": [{"line": "1"}],
    "machines.csv": [
        {"line": "1", "station": "bodymaker", "number": str(number)} for number in (1, 2)
    ],
}
BODY = re.compile(r"<tbody[^>]*>(.*?)</tbody>", re.S)


def pages(application: Flask) -> list[str]:
    """Every page that is asked for without naming one thing, and a machine's."""
    found = []
    for rule in application.url_map.iter_rules():
        if "GET" not in (rule.methods or set()) or rule.rule.startswith(("/api/", "/static/")):
            continue
        if rule.arguments:
            continue
        found.append(rule.rule)
    return [*sorted(found), "/machines/1/bodymaker/1", "/setup/machines/1/bodymaker/1"]


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_on_a_new_plant_no_page_fails_and_no_table_is_bare(
    application: Flask, visit: Visit, cast: Cast, own_engine: Engine, tmp_path: Path
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", PLANT))
    cast.sign_in(visit, "administrator")
    faults, looked_at = [], 0
    for address in pages(application):
        answer = visit.get(address)
        if answer.status_code >= 500:
            faults.append(f"{address} answers {answer.status_code}")
        if answer.mimetype != "text/html" or answer.status_code != 200:
            continue
        looked_at += 1
        faults += [
            f"{address} has a table without a row"
            for body in BODY.findall(answer.text)
            if not seen(body)
        ]
    assert looked_at > 40
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_without_a_plant_no_page_fails(application: Flask, visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "administrator")
    failing = {
        address: answer.status_code
        for address in pages(application)
        if (answer := visit.get(address)).status_code >= 500
    }
    assert not failing
