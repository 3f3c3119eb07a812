"""TOML from outside: plant.toml, the settings, the map of OPC UA nodes.

The first byte says which, the rest is its content.
"""

import tempfile
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.fuzz.telling import must_tell
from tracelog.config import load_settings
from tracelog.errors import BadFact, TracelogError
from tracelog.intake.opcua_map import read_map
from tracelog.intake.plant_file import read_plant_file
from tracelog.plant.facts import PlantFact


@lru_cache(maxsize=1)
def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="tracelog-fuzz-"))


def try_one(data: bytes) -> None:
    """Read the bytes as one of the files."""
    which, content = data[:1], data[1:]
    if which == b"s":
        _settings(content)
    elif which == b"m":
        _map(content)
    else:
        _plant(content)


def _plant(content: bytes) -> None:
    path = _folder() / "plant.toml"
    path.write_bytes(content)
    read = read_plant_file(path)
    assert (read.fact is None) == bool(read.faults)
    lines = content.count(b"\n") + 1
    for fault in read.faults:
        assert fault.sentence
        assert 1 <= fault.line <= lines + 1, fault
    if read.fact is not None:
        assert isinstance(read.fact, PlantFact)
        ZoneInfo(read.fact.time_zone)


def _map(content: bytes) -> None:
    path = _folder() / "map.toml"
    path.write_bytes(content)
    try:
        read = read_map(path)
    except BadFact as problem:
        must_tell(problem)
        return
    assert read.counters


def _settings(content: bytes) -> None:
    path = _folder() / "tracelog.toml"
    path.write_bytes(content)
    if b"data_dir" in content:
        # The folder it names would be made.
        return
    environment = {"TRACELOG_CONFIG": str(path), "TRACELOG_DATA_DIR": str(_folder() / "data")}
    try:
        settings = load_settings(environment)
    except TracelogError as problem:
        must_tell(problem)
        return
    assert isinstance(settings.database_url, str)
