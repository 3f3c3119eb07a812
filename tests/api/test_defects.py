"""The log over the API: listing, paging, history, corrections."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.api.plant import Program, Site, at
from tests.support.statements import Statements

ENTRIES: list[dict[str, Any]] = [
    {
        "id": f"0198c1f0-7a4e-7cc1-8000-0000000000{n:02d}",
        "seen_at": at(60 * n),
        "dome_code": code,
        "defect": defect,
        "cans": 1 if inspected is None else 0,
        "inspected": inspected,
        "found_at": found_at,
        "coil": "K-1" if n < 2 else None,
        "pallet": "P-7" if n == 4 else None,
    }
    for n, (code, defect, inspected, found_at) in enumerate(
        [
            ("1-1", "split", None, "trimmer"),
            ("1-2", "wrinkle", None, "trimmer"),
            ("1-?", "split", None, None),
            ("2-1", "split", 50, "light-tester"),
            (None, "wrinkle", None, None),
            ("2-3", "split", None, "trimmer"),
        ]
    )
]


@pytest.fixture(scope="module")
def log(site: Site) -> Iterator[Program]:
    """A log of six entries."""
    program = site.program("operator")
    assert program.post("/defects", ENTRIES).status_code == 201
    return program


def seen(program: Program, **asked: Any) -> list[int]:
    answer = program.get("/defects", **asked)
    assert answer.status_code == 200, answer.text
    return [int(entry["id"][-2:]) for entry in answer.json["defects"]]


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({}, [5, 4, 3, 2, 1, 0]),
        ({"line": 1}, [2, 1, 0]),
        ({"machine": "1-1"}, [0]),
        ({"machine": ["1-1", "2 bodymaker 3"]}, [5, 0]),
        ({"defect": "wrinkle"}, [4, 1]),
        ({"defect": ["wrinkle", "split"]}, [5, 4, 3, 2, 1, 0]),
        ({"found_at": "trimmer"}, [5, 1, 0]),
        ({"coil": "K-1"}, [1, 0]),
        ({"pallet": "P-7"}, [4]),
        ({"kind": "sample"}, [3]),
        ({"kind": "production"}, [5, 4, 2, 1, 0]),
        ({"unsettled": "1"}, [4, 2]),
        ({"unsettled": "0"}, [5, 3, 1, 0]),
        ({"from": at(120)}, [5, 4, 3, 2]),
        ({"to": at(120)}, [1, 0]),
        ({"from": at(60), "to": at(180)}, [2, 1]),
        ({"from": "2026-03-02", "to": "2026-03-02"}, [5, 4, 3, 2, 1, 0]),
        ({"from": "2026-03-03"}, []),
        ({"as_of": at(61)}, [1, 0]),
        ({"line": 1, "defect": "split", "unsettled": "0"}, [0]),
        ({"limit": 2}, [5, 4]),
    ],
)
def test_entries_are_chosen(log: Program, asked: dict[str, Any], found: list[int]) -> None:
    assert seen(log, **asked) == found


def test_pages_follow_each_other_by_cursor(log: Program) -> None:
    found, cursor = [], None
    while True:
        page = log.get("/defects", limit=4, **({"cursor": cursor} if cursor else {})).json
        found += [int(entry["id"][-2:]) for entry in page["defects"]]
        cursor = page["cursor"]
        if cursor is None:
            break
    assert found == [5, 4, 3, 2, 1, 0]


def test_an_entry_comes_back_with_the_fields_of_the_file(log: Program) -> None:
    (entry,) = log.get("/defects", machine="1-1").json["defects"]
    assert {name: entry[name] for name in ENTRIES[0]} == ENTRIES[0]
    assert (entry["machine"], entry["line"], entry["candidates"]) == ("1-1", 1, ["1-1"])
    (partial,) = log.get("/defects", unsettled="1", line=1).json["defects"]
    assert (partial["machine"], partial["dome_code"]) == (None, "1-?")
    assert partial["candidates"] == ["1-1", "1-2", "1-3"]


@pytest.mark.parametrize(
    ("asked", "field", "words"),
    [
        ({"from": "soon"}, "from", "is not an instant"),
        ({"to": "2026-02-30"}, "to", "is not a day"),
        ({"from": "0001-01-01"}, "from", "out of range"),
        ({"from": at(10), "to": at(10)}, "to", "is not after from"),
        ({"line": "one"}, "line", "is not a whole number"),
        ({"line": 9}, "line", "there is no line 9; lines are 1, 2"),
        ({"machine": "9-9"}, "machine", "there is no line 9"),
        ({"machine": "seven"}, "machine", "is not a machine; write 3-7"),
        ({"defect": "spilt"}, "defect", "split"),
        ({"found_at": "a\u0000b"}, "found_at", "control character"),
        ({"coil": "x" * 300}, "coil", "at most 200"),
        ({"pallet": "\u0007"}, "pallet", "control character"),
        ({"kind": "both"}, "kind", "is not one of: production, sample, all"),
        ({"unsettled": "maybe"}, "unsettled", "is neither 1 nor 0"),
        ({"as_of": "2026-03-29T02:30"}, "as_of", "does not exist"),
        ({"limit": 0}, "limit", "from 1 to 10000"),
        ({"limit": 10_001}, "limit", "from 1 to 10000"),
        ({"limit": ["1", "2"]}, "limit", "given 2 times"),
        ({"cursor": "zzz"}, "cursor", "is not the end of an earlier page"),
        ({"cursor": "ÿ"}, "cursor", "is not the end of an earlier page"),
        ({"colour": "red"}, "colour", "is not known here; known are from"),
    ],
)
def test_a_parameter_that_is_wrong_is_told(
    log: Program, asked: dict[str, Any], field: str, words: str
) -> None:
    answer = log.get("/defects", **asked)
    assert (answer.status_code, answer.mimetype) == (400, "application/problem+json")
    (fault,) = answer.json["faults"]
    assert fault["field"] == field
    assert words in fault["sentence"]


def test_all_wrong_parameters_are_told_at_once(log: Program) -> None:
    answer = log.get("/defects", line="one", limit="all", colour="red")
    assert {fault["field"] for fault in answer.json["faults"]} == {"line", "limit", "colour"}


def test_a_page_takes_a_fixed_number_of_statements(site: Site, log: Program) -> None:
    statements = Statements(site.engine)
    counts = []
    for limit in (1, 6):
        with statements.counted() as sent:
            assert len(seen(log, limit=limit)) == limit
        counts.append(len(sent))
    statements.close()
    assert counts[0] == counts[1] < 20


def logged(program: Program, n: int, **fields: Any) -> str:
    entry = {"seen_at": at(n), "dome_code": "2-2", "defect": "split", "cans": 5, **fields}
    answer = program.post("/defects", entry)
    assert answer.status_code == 201, answer.text
    found: str = answer.json["id"]
    return found


def test_an_entry_without_an_id_is_known_by_its_content(program: Program) -> None:
    entry = {"seen_at": at(5000), "defect": "split"}
    first = program.post("/defects", entry)
    again = program.post("/defects", entry)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json["id"] == again.json["id"]


def test_a_correction_leaves_the_old_values_and_the_reason_on_record(site: Site) -> None:
    program = site.program("operator")
    entry = logged(program, 5001)
    sent = {"reason": "read again under the lamp", "values": {"dome_code": "2-3", "cans": 6}}
    answer = program.post(f"/defects/{entry}/corrections", sent)
    assert (answer.status_code, answer.json["status"]) == (201, "created")
    record = site.last_record()
    assert (record.actor, record.subject) == ("olga/gateway", entry)
    found = program.get(f"/defects/{entry}").json
    assert (found["dome_code"], found["machine"], found["cans"]) == ("2-3", "2-3", 6)
    assert (found["logged"]["dome_code"], found["logged"]["cans"]) == ("2-2", 5)
    (correction,) = found["history"]
    assert correction["id"] == answer.json["id"]
    assert correction["reason"] == "read again under the lamp"
    assert correction["corrected_by"] == "olga/gateway"
    changes = {one["field"]: (one["before"], one["after"]) for one in correction["changes"]}
    assert changes == {"dome_code": ("2-2", "2-3"), "cans": ("5", "6")}


def test_a_withdrawn_entry_counts_nowhere_and_stays_on_record(program: Program) -> None:
    entry = logged(program, 5002, found_at="palletiser")
    withdrawn = {"reason": "logged twice", "withdrawn": True}
    assert program.post(f"/defects/{entry}/corrections", withdrawn).status_code == 201
    assert program.get("/defects", found_at="palletiser").json["defects"] == []
    assert program.get(f"/defects/{entry}").json["withdrawn"] is True
    back = {"reason": "it was another can", "withdrawn": False}
    assert program.post(f"/defects/{entry}/corrections", back).status_code == 201
    assert len(program.get("/defects", found_at="palletiser").json["defects"]) == 1


def test_a_correction_sent_again_with_its_id_changes_nothing(site: Site) -> None:
    program = site.program()
    entry = logged(program, 5003)
    sent = {
        "id": "0198c1f0-7a4e-7cc1-8000-00000000aaaa",
        "reason": "miscounted",
        "values": {"cans": 4},
    }
    assert program.post(f"/defects/{entry}/corrections", sent).status_code == 201
    before = site.counted()
    again = program.post(f"/defects/{entry}/corrections", sent)
    assert (again.status_code, again.json) == (200, {"status": "unchanged", "id": sent["id"]})
    other = program.post(f"/defects/{entry}/corrections", {**sent, "reason": "guessed"})
    assert other.status_code == 409
    assert site.counted() == before


@pytest.mark.parametrize(
    ("sent", "field", "words"),
    [
        ({"values": {"cans": 4}}, "reason", "is missing"),
        ({"reason": "x" * 4001, "values": {"cans": 4}}, "reason", "at most 4000"),
        ({"reason": "r", "id": "17"}, "id", "is not a UUID"),
        ({"reason": "r", "withdrawn": "perhaps"}, "withdrawn", "neither 'yes' nor 'no'"),
        ({"reason": "r", "values": [4]}, "values", "is not an object of fields"),
        ({"reason": "r", "values": {"logged_by": "me"}}, "values", "cannot be corrected"),
        ({"reason": "r", "values": {"cans": -1}}, "cans", "out of range"),
        ({"reason": "r", "values": {"defect": "spilt"}}, "defect", "split"),
        ({"reason": "r", "values": {"dome_code": "9-1"}}, "dome_code", "line 9"),
        ({"reason": "r", "values": {"seen_at": "2026-03-29T02:30"}}, "seen_at", "does not exist"),
        ({"reason": "r", "colour": "red"}, "colour", "is not known here"),
        ({"reason": "r", "entry": "x"}, "entry", "stands in the address already"),
    ],
)
def test_a_correction_that_is_wrong_is_told_and_nothing_is_written(
    site: Site, sent: dict[str, Any], field: str, words: str
) -> None:
    program = site.program()
    entry = program.post("/defects", {"seen_at": at(5004), "defect": "split"}).json["id"]
    before = site.counted()
    answer = program.post(f"/defects/{entry}/corrections", sent)
    assert (answer.status_code, answer.mimetype) == (422, "application/problem+json")
    (fault,) = answer.json["faults"]
    assert fault["field"] == field
    assert words in fault["sentence"]
    assert site.counted() == before


def test_a_correction_that_changes_nothing_is_refused(program: Program) -> None:
    entry = logged(program, 5005)
    sent = {"reason": "r", "values": {"cans": 5}}
    answer = program.post(f"/defects/{entry}/corrections", sent)
    assert answer.status_code == 422
    assert "changes nothing" in answer.json["detail"]


@pytest.mark.parametrize("entry", ["17", "0198c1f0-7a4e-7cc1-8000-ffffffffffff"])
def test_an_entry_that_is_not_there_is_not_found(site: Site, entry: str) -> None:
    before = site.counted()
    asked = site.program().get(f"/defects/{entry}")
    sent = {"reason": "r", "withdrawn": True}
    corrected = site.program().post(f"/defects/{entry}/corrections", sent)
    for answer in (asked, corrected):
        assert answer.status_code == 404
        assert entry in answer.json["detail"]
    assert site.counted() == before


def test_a_correction_is_one_object(program: Program) -> None:
    entry = logged(program, 5006)
    answer = program.post(f"/defects/{entry}/corrections", [{"reason": "r"}])
    assert (answer.status_code, answer.json["detail"]) == (422, "send one object")


def test_corrections_need_somebody_signed_in(site: Site) -> None:
    entry = logged(site.program(), 5007)
    before = site.counted()
    answer = site.app.test_client().post(
        f"/api/v1/defects/{entry}/corrections", json={"reason": "r", "withdrawn": True}
    )
    assert answer.status_code == 401
    assert site.counted() == before
