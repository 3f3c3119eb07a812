from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest
from click.testing import CliRunner

from seed_demo.__main__ import main
from seed_demo.sizes import PlantSize
from seed_demo.tables import HEADERS
from tests.seed_demo.written import SMALL


def test_the_command_writes_a_folder_and_tells_the_planted_faults(tmp_path: Path) -> None:
    folder = tmp_path / "plant"
    asked = ["--size", "small", "--lines", "1", "--bodymakers", "2", "--days", "12"]
    done = CliRunner().invoke(main, [str(folder), *asked, "--seed", "3", "--ends-on", "2026-03-10"])
    assert done.exit_code == 0, done.output
    assert (folder / "plant.toml").is_file()
    assert {path.name for path in folder.glob("*.csv")} == set(HEADERS)
    assert done.output.count("planted:") == 3


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        (["--days", "3"], "days is 3; it must be from 10 to 3660"),
        (["--lines", "0"], "lines is 0; it must be from 1 to 40"),
        (["--ends-on", "30.6.2026"], "'30.6.2026' is not a date; write it as 2026-06-30, or today"),
    ],
)
def test_a_wrong_option_is_told_in_one_sentence_and_nothing_is_written(
    tmp_path: Path, asked: list[str], sentence: str
) -> None:
    done = CliRunner().invoke(main, [str(tmp_path / "plant"), *asked])
    assert done.exit_code == 2
    assert sentence in done.output
    assert not (tmp_path / "plant").exists()


def test_a_history_ending_now_has_nothing_in_the_future() -> None:
    now = datetime(2026, 2, 3, 17, 42, tzinfo=UTC)
    size = SMALL.ending_at(now)
    assert (size.ends_on, size.ends_at) == (date(2026, 2, 3), time(11, 0))
    assert size.lines == SMALL.lines
    with pytest.raises(ValueError, match="no offset"):
        SMALL.ending_at(datetime(2026, 2, 3, 17, 42))  # noqa: DTZ001


def test_a_size_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="bodymakers is 99; it must be from 1 to 24"):
        PlantSize(1, 99, 30)
