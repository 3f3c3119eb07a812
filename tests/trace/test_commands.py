"""`tracelog trace`: the documented shape, the table, and what it refuses."""

import json
from typing import Any

import pytest

from tests.support.command import Command
from tests.support.plants import ENDS_AT

pytestmark = pytest.mark.small_plant
AT = "2026-06-20T12:00:00Z"
# The documented shape: name and what JSON makes of it.
SHAPE: dict[str, type | tuple[type, ...]] = {
    "code": str,
    "at": str,
    "candidates": list,
    "machine": (str, type(None)),
    "strokes_total": (int, type(None)),
    "strokes_since_service": dict,
    "tools": list,
    "coils": list,
    "crew": str,
    "shift": str,
    "defects_nearby": list,
    "defects_nearby_cut": bool,
    "contradiction": type(None),
    "services": list,
    "changes": list,
    "pallets": list,
}


def asked(command: Command, *words: object) -> dict[str, Any]:
    answer = command("trace", *words, "--as-of", ENDS_AT.isoformat(), "--json").stdout
    found: dict[str, Any] = json.loads(answer)
    return found


def test_the_dossier_has_the_documented_shape(command: Command) -> None:
    settled = asked(command, "1-2", "--at", AT)
    partial = asked(command, "1-?", "--at", AT)
    for answer in (settled, partial):
        for name, kind in SHAPE.items():
            assert isinstance(answer[name], kind), name
    assert settled["candidates"] == [{"machine": "1-2", "probability": 1.0}]
    assert (settled["code"], settled["at"], settled["machine"]) == ("1-2", AT, "1-2")
    assert all(isinstance(one, int) for one in settled["strokes_since_service"].values())
    assert {len(settled["tools"]), len(settled["strokes_since_service"])} == {7, 3}
    for tool in settled["tools"]:
        assert {"serial", "position", "strokes_on_tool"} <= set(tool)
    assert partial["machine"] is None
    assert sum(one["probability"] for one in partial["candidates"]) == pytest.approx(1)
    # America/Chicago in summer: noon UTC is 07:00.
    assert asked(command, "1-2", "--at", "2026-06-20T07:00") == settled
    table = command("trace", "1-2", "--at", AT, "--as-of", ENDS_AT.isoformat()).stdout
    for tool in settled["tools"]:
        assert tool["serial"] in table
    assert f"strokes total: {settled['strokes_total']}" in table


def test_what_a_machine_made_is_asked_for_by_name(command: Command) -> None:
    period = ("--from", "2026-06-20T00:00Z", "--to", "2026-06-21T00:00Z")
    answer = asked(command, "--machine", "1 bodymaker 2", *period)
    assert (answer["kind"], answer["from"]) == ("machine", "2026-06-20T00:00:00Z")
    assert answer["strokes"] == sum(use["strokes"] for use in answer["uses"]) > 100_000
    short = command("trace", "--machine", "1-2", *period, "--as-of", ENDS_AT.isoformat()).stdout
    assert "uses" in short


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        ((), 2, "give a CODE such as 3-7"),
        (("three",), 2, "is not a dome code"),
        (("1-2", "--at", "noon"), 2, "is not an instant"),
        (("1-2", "--at", "2026-03-08T02:30"), 2, "does not exist in America/Chicago"),
        (("1-2", "--as-of", "x"), 2, "is not an instant"),
        (("1-2", "--tool", "A"), 2, "or one of --tool, --coil, --machine"),
        (("--pallet", "W-1", "--tool", "A"), 2, "or one of --tool, --coil, --machine"),
        (("--tool", "A", "--machine", "1-2"), 2, "or one of --tool, --coil, --machine"),
        (("--tool", "A", "--at", AT), 2, "--at goes with a CODE"),
        (("1-2", "--from", AT), 2, "--from and --to go with --tool"),
        (("1-2", "--pallet", "W-9"), 1, "pallet: there is no pallet 'W-9' on record"),
        (("--pallet", "W-9", "--coil", "K"), 1, "pallet: there is no pallet 'W-9' on record"),
        (("1-2", "--coil", "K-9"), 1, "coil: there is no run of coil 'K-9'"),
        (("--tool", "A"), 1, "tool: tool 'A' was not in use in that time"),
        (("--machine", "9-9"), 1, "machine: there is no line 9"),
        (("--machine", "1-2", "--from", AT, "--to", AT), 1, "from: is not before the end"),
    ],
)
def test_what_cannot_be_asked_is_told_in_one_line(
    command: Command, words: tuple[str, ...], status: int, sentence: str
) -> None:
    done = command("trace", *words, status=status)
    # Usage is told in a box whose lines are broken.
    said = " ".join(done.stderr.replace("│", " ").split())
    assert sentence in said
    assert done.stdout == ""
    if status == 1:
        assert len(done.stderr.splitlines()) == 1


def test_events_of_a_coil_are_printed_as_a_document(command: Command) -> None:
    coil = asked(command, "1-2", "--at", AT)["coils"][0]["coil"]
    document = asked(command, "--coil", coil, "--epcis")
    assert (document["type"], document["schemaVersion"]) == ("EPCISDocument", "2.0")
    kinds = {event["type"] for event in document["epcisBody"]["eventList"]}
    assert kinds == {"ObjectEvent", "TransformationEvent"}
    refused = command("trace", "1-2", "--epcis", status=2)
    assert "--epcis goes with one --pallet or one --coil" in " ".join(refused.stderr.split())


def test_a_crew_is_asked_for_by_its_name(command: Command) -> None:
    period = ("--from", "2026-06-20T00:00Z", "--to", "2026-06-22T00:00Z")
    answer = asked(command, "--crew", "A", *period)
    assert (answer["kind"], answer["name"]) == ("crew", "A")
    assert all(use["shift"] for use in answer["uses"])
