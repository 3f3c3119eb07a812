"""What is fuzzed: the readers of everything that comes from outside, each fed with any bytes.

A target is a module of this folder with a function `try_one`, which hands bytes to a reader as a
door would and checks what came of it; what it raises is a find. The seeds it starts from lie in
`seeds/<target>/`. The short version of all of them is `test_targets.py`; the long one, guided by
which lines of ours were reached, is ``python -m tests.bench fuzz``.
"""

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

SEEDS = Path(__file__).parent / "seeds"


@dataclass(frozen=True)
class Target:
    """One reader.

    Attributes:
        name: of its module here, and of its seeds.
        reads: what, in a few words.
        covers: packages or modules whose lines count as reached.
        most_bytes: how long an input may become.
        most_seconds: one input that takes longer is a find.
    """

    name: str
    reads: str
    covers: tuple[str, ...]
    most_bytes: int = 4096
    most_seconds: float = 5.0

    # cached_property writes past the frozen class, on purpose: the module is loaded when needed.
    @cached_property
    def try_one(self) -> Callable[[bytes], None]:
        """The function that is fed."""
        module = importlib.import_module(f"tests.fuzz.{self.name}")
        found: Callable[[bytes], None] = module.try_one
        return found

    @property
    def seeds(self) -> list[bytes]:
        """Inputs to start from, in order of their names."""
        return [path.read_bytes() for path in sorted((SEEDS / self.name).iterdir())]


TARGETS = {
    one.name: one
    for one in (
        Target(
            "dome_codes",
            "dome codes, the typed line, addresses on labels, instants",
            (
                "tracelog.plant.dome_code",
                "tracelog.defects.typed_line",
                "tracelog.defects.marks",
                "tracelog.defects.rules",
                "tracelog.plant.addresses",
                "tracelog.instants",
            ),
            300,
        ),
        Target(
            "plant_rows",
            "CSV files of the plant folder, into a database",
            ("tracelog.intake.csv_rows", "tracelog.intake.row_import", "tracelog.facts"),
        ),
        Target(
            "toml_files",
            "plant.toml, the settings, the map of OPC UA nodes",
            (
                "tracelog.intake.plant_file",
                "tracelog.intake.opcua_map",
                "tracelog.intake.opcua_nodes",
                "tracelog.config",
            ),
        ),
        Target(
            "mqtt_messages",
            "topics and payloads, addresses of brokers",
            (
                "tracelog.intake.mqtt_rules",
                "tracelog.intake.reject_rules",
                "tracelog.json_text",
                "tracelog.strokes.facts",
            ),
            1500,
        ),
        Target(
            "spreadsheets",
            ".xlsx and .csv, from bytes to rows of ours",
            (
                "tracelog.intake.spreadsheets.archive",
                "tracelog.intake.spreadsheets.sheets",
                "tracelog.intake.spreadsheets.text_files",
                "tracelog.intake.spreadsheets.guessing",
                "tracelog.intake.spreadsheets.converting",
            ),
            8192,
        ),
        Target("pictures", "JPEG, PNG and WebP", ("tracelog.defects.photos",), 8192),
        Target(
            "calendars",
            "iCalendar files",
            ("tracelog.plant.icalendar_text", "tracelog.plant.icalendar_events"),
            most_seconds=20.0,
        ),
        Target(
            "json_bodies",
            "JSON bodies, into every fact that the API takes",
            ("tracelog.json_text", "tracelog.facts"),
        ),
        Target(
            "backups",
            "archives of backups, into a database",
            ("tracelog.keeping.archive", "tracelog.keeping.values", "tracelog.keeping.actions"),
            8192,
            10.0,
        ),
    )
}
