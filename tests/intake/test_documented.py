"""The format is documented as it is: every file, every column, every key."""

import re
from enum import StrEnum
from pathlib import Path

import pytest

from tests.intake.folders import ALL_COLUMNS
from tests.support import tree
from tracelog.defects.facts import Severity
from tracelog.intake.files import FILES, PlantFile
from tracelog.intake.plant_file import read_plant_file
from tracelog.plant.calendar_rules import PeriodKind
from tracelog.plant.facts import PalletStatus, RemovalReason
from tracelog.plant.tool_facts import ToolWorkKind
from tracelog.strokes.facts import CounterEvent, Verdict
from tracelog.trends.series.rules import SeriesEvidence

PAGE = (tree.ROOT / "docs" / "plant-folder.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^## (\S+)\n(.*?)(?=^## |\Z)", PAGE, flags=re.MULTILINE | re.DOTALL))


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_every_column_is_explained_in_order(file: PlantFile) -> None:
    rows = re.findall(r"^\| (`.*?) \|", SECTIONS[file.name], flags=re.MULTILINE)
    assert tuple(re.findall(r"`(\w+)`", " ".join(rows))) == (
        *file.columns,
        *file.unusual_columns,
    )


def test_the_files_stand_in_the_order_in_which_they_are_read() -> None:
    assert [name for name in SECTIONS if name.endswith(".csv")] == [file.name for file in FILES]
    assert len(ALL_COLUMNS) > 90


@pytest.mark.parametrize(
    ("file", "words"),
    [
        ("defect_types.csv", Severity),
        ("tool_fits.csv", RemovalReason),
        ("tool_works.csv", ToolWorkKind),
        ("pallets.csv", PalletStatus),
        ("counter_events.csv", CounterEvent),
        ("counter_settlements.csv", Verdict),
        ("planned_periods.csv", PeriodKind),
        ("baselines.csv", SeriesEvidence),
    ],
)
def test_every_word_that_is_taken_is_named(file: str, words: type[StrEnum]) -> None:
    for word in words:
        assert f"`{word}`" in SECTIONS[file]


def test_the_example_is_a_good_plant_file(tmp_path: Path) -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
    path = tmp_path / "plant.toml"
    path.write_text(example, encoding="utf-8")
    assert read_plant_file(path).faults == []
