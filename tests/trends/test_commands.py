"""The command `tracelog rates` on the small simulated plant."""

import json

import pytest

from tests.support.command import Command

pytestmark = pytest.mark.small_plant


def test_a_table_is_printed_with_what_it_does_not_say(command: Command) -> None:
    done = command("rates")
    assert "occurrences per million strokes" in done.stdout
    for words in ("1-1", "2-4", "together", "shrunk", "worst"):
        assert words in done.stdout
    assert "count for nobody yet" in done.stderr


def test_json_has_the_documented_shape(command: Command) -> None:
    told = json.loads(
        command("rates", "--defect", "wall-tear-off", "--by", "machine", "--json").stdout
    )
    assert told["defect"] == "wall-tear-off"
    for row in told["rates"]:
        assert {"machine", "cans", "strokes", "per_million", "low", "high"} <= set(row)
        assert {"shrunk", "probability_worst", "occurrences"} <= set(row)
    assert sum(row["probability_worst"] for row in told["rates"]) == pytest.approx(1)


def test_a_chart_is_printed_as_a_table_of_its_points(command: Command) -> None:
    done = command("rates", "--chart", "auto", "--machine", "1-2", "--bucket", "week")
    assert "chart, occurrences per million strokes, centre" in done.stdout
    done = command("rates", "--chart", "u", "--line", "1", "--json", "--as-of", "2026-06-20T06:00")
    drawn = json.loads(done.stdout)
    assert drawn["chart"] == "u"
    assert drawn["to"] == "2026-06-21T05:00:00Z"
    assert len(drawn["points"]) >= 19


def test_bad_choices_are_wrong_usage_told_at_their_options(command: Command) -> None:
    done = command("rates", "--machine", "9-9", "--from", "x", status=2)
    assert "--machine: there is no line 9" in done.stderr
    assert "--from: 'x' is not an instant" in done.stderr
    assert not done.stdout


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--exclude", "2026-06-05"), "--exclude belongs to a chart"),
        (("--chart", "u", "--by", "line"), "--by belongs to rates"),
        (("--chart", "zz"), "--chart: 'zz' is not one of"),
    ],
)
def test_options_that_do_not_go_together_are_told(
    command: Command, words: tuple[str, ...], sentence: str
) -> None:
    assert sentence in command("rates", *words, status=2).stderr


def test_what_the_data_are_to_blame_for_ends_with_status_1(command: Command) -> None:
    done = command("rates", "--evidence", "samples", status=1)
    assert "tracelog: defect: choose one kind of defect" in done.stderr
    done = command(
        "rates",
        "--chart",
        "p",
        "--defect",
        "pinhole",
        "--from",
        "2020-01-01",
        "--to",
        "2020-01-02",
        status=1,
    )
    assert "no sample is on record" in done.stderr


def test_run_rules_and_gaps_are_printed_and_told(command: Command) -> None:
    asked = ("rates", "--chart", "gaps", "--machine", "1-2", "--from", "2026-06-05")
    asked = (*asked, "--to", "2026-06-28", "--rules", "nelson-1984")
    done = command(*asked)
    assert "gaps chart, strokes from one entry to the next, centre" in done.stdout
    assert "eight rules at once" in done.stderr
    told = json.loads(command(*asked, "--json").stdout)
    assert told["run_rules"] == "nelson-1984"
    assert len(told["rules"]) == 8
    assert {one["kind"] for one in told["events"]} >= {"coil", "tool fitted"}
    assert told["frozen_baseline"] is None
    assert all(point["entry"] for point in told["points"])
