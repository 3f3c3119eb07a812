"""Two invented plants with the same numbers of lines and machines, so that only their databases
tell them apart."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Engine

from tests.support.plants import import_plant

BEGINS_AT = datetime(2026, 6, 1, tzinfo=UTC)
HOURS = 48
STROKES_AN_HOUR = 20_000


def fill(engine: Engine, folder: Path, name: str, splits: int) -> None:
    """Import a plant with one line, two bodymakers and so many splits of 3-7, one an hour."""
    folder.mkdir()
    (folder / "plant.toml").write_text(f'name = "{name}"\ntime_zone = "UTC"\n', encoding="utf-8")
    _write(folder, "lines.csv", "line,name", ["3,east"])
    _write(
        folder,
        "machines.csv",
        "line,station,number,name,counter_max,rated_spm",
        ["3,bodymaker,7,,99999999,350", "3,bodymaker,8,,99999999,350"],
    )
    _write(
        folder,
        "readings.csv",
        "line,bodymaker,read_at,strokes",
        [
            f"3,{machine},{_hour(hour)},{hour * STROKES_AN_HOUR}"
            for machine in (7, 8)
            for hour in range(HOURS + 1)
        ],
    )
    _write(
        folder,
        "defects.csv",
        "seen_at,dome_code,defect,cans",
        [f"{_hour(hour)},3-7,wall-split,1" for hour in range(1, splits + 1)],
    )
    import_plant(engine, folder)


def _hour(hour: int) -> str:
    return (BEGINS_AT + timedelta(hours=hour)).isoformat()


def _write(folder: Path, name: str, head: str, rows: list[str]) -> None:
    (folder / name).write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
