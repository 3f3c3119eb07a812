"""An export holds everything, and the same plant gives the same bytes."""

import csv
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from tests.intake.folders import (
    EXTRA,
    GOOD,
    PLANT,
    content,
    derived,
    exported,
    good_rows,
    import_good,
    import_into,
    write_folder,
)
from tests.support.databases import Databases, Kind, open_engine
from tracelog.db import reading
from tracelog.errors import NoPlant, TracelogError
from tracelog.intake.files import FILES
from tracelog.outcomes import Became
from tracelog.web.sheets import as_it_was, harmless

EVERYTHING = {file: [*rows, EXTRA[file]] for file, rows in GOOD.items()}


@pytest.mark.parametrize("other_kind", ["sqlite", "postgresql"])
def test_an_export_into_an_empty_database_exports_to_the_same_bytes(
    own_engine: Engine, tmp_path: Path, other_kind: Kind, request: pytest.FixtureRequest
) -> None:
    if other_kind == "postgresql":
        # Asks for the server, or says that there is none.
        from tests.support import postgres

        postgres.server_url()
    import_good(own_engine, write_folder(tmp_path / "plant", EVERYTHING))
    first = exported(own_engine, tmp_path / "first")
    assert set(first) == {"plant.toml", *(file.name for file in FILES)}

    databases = Databases(other_kind)
    other = open_engine(databases.migrated())
    try:
        import_good(other, tmp_path / "first")
        assert exported(other, tmp_path / "second") == first
        assert derived(other) == derived(own_engine) or own_engine.dialect.name != other_kind
    finally:
        other.dispose()
        databases.remove_all()


def test_the_clock_error_of_a_tablet_has_a_column_only_where_some_entry_has_one(
    own_engine: Engine, tmp_path: Path, databases: Databases
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    without = exported(own_engine, tmp_path / "without")
    assert b"tablet_clock_error_s" not in without["defects.csv"]
    more = write_folder(tmp_path / "more", {"defects.csv": [EXTRA["defects.csv"]]}) / "defects.csv"
    header, row = more.read_text(encoding="utf-8").splitlines()
    more.write_text(f"{header},tablet_clock_error_s\n{row},179.25\n", encoding="utf-8")
    import_good(own_engine, more.parent)
    first = exported(own_engine, tmp_path / "first")
    assert first["defects.csv"].splitlines()[0].endswith(b",logged_at,tablet_clock_error_s")
    assert sum(line.endswith(b",179.25") for line in first["defects.csv"].splitlines()) == 1

    other = open_engine(databases.migrated())
    import_good(other, tmp_path / "first")
    assert exported(other, tmp_path / "second") == first
    other.dispose()


def test_an_export_changes_nothing_where_it_comes_from(own_engine: Engine, tmp_path: Path) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", EVERYTHING))
    exported(own_engine, tmp_path / "out")
    before = content(own_engine)
    done = import_good(own_engine, tmp_path / "out")
    assert all(set(file.became) == {Became.UNCHANGED} for file in done.report.files)
    assert content(own_engine) == before


def test_values_are_written_in_one_way_and_rows_in_order_of_their_key(
    own_engine: Engine, tmp_path: Path
) -> None:
    rows = good_rows()
    rows["machines.csv"].reverse()
    rows["coils.csv"] = [
        {"coil": "k", "gauge_mm": "0.2500"},
        {"coil": "K10", "gauge_mm": "1e-1"},
        {"coil": "K9", "gauge_mm": "2.0"},
        {"coil": "é"},
        {"coil": "Z"},
        *rows["coils.csv"],
    ]
    rows["changes.csv"][0]["at"] = "2026-03-03T07:00:00+01:00"
    rows["services.csv"][0]["done_at"] = "2026-03-02T07:00"
    rows["dome_codes.csv"] += [EXTRA["dome_codes.csv"] | {"code": "01/09"}]
    import_good(own_engine, write_folder(tmp_path / "plant", rows))
    files = {name: text.decode() for name, text in exported(own_engine, tmp_path / "out").items()}
    assert files["coils.csv"] == (
        "coil,alloy,gauge_mm,note\nK1,3104,0.25,\nK10,,0.1,\nK2,,,\nK9,,2,\nZ,,,\nk,,0.25,\né,,,\n"
    )
    assert files["machines.csv"].splitlines()[1:] == [
        "1,bodymaker,1,,999999,320",
        "1,bodymaker,2,BM 1-2,999999,",
        "1,palletiser,1,,,",
        "2,bodymaker,1,,,310.5",
    ]
    assert files["changes.csv"].splitlines()[1:] == [
        "1,,2026-03-03T06:00:00Z,coolant,new batch",
        "1,2,2026-03-03T06:00:00Z,label,",
    ]
    assert files["services.csv"].splitlines()[1:] == ["1,1,minor,2026-03-02T06:00:00Z,no,"]
    assert [row.split(",")[0] for row in files["dome_codes.csv"].splitlines()[1:]] == [
        "1-9",
        "1-19",
    ]
    assert files["plant.toml"] == PLANT
    assert not any("\r" in text for text in files.values())


def test_shifts_of_one_name_keep_the_words_of_the_rota(own_engine: Engine, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant", {})
    plant = PLANT.replace('name = "day"', 'name = "Alder"').replace(
        'name = "night"', 'name = "Alder"'
    )
    (folder / "plant.toml").write_text(plant, encoding="utf-8")
    import_good(own_engine, folder)
    assert exported(own_engine, tmp_path / "out")["plant.toml"].decode() == plant


def test_a_file_without_rows_is_not_written_and_an_old_one_goes(
    own_engine: Engine, tmp_path: Path
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", {"lines.csv": [{"line": "1"}]}))
    out = tmp_path / "out"
    assert set(exported(own_engine, out)) == {"plant.toml", "lines.csv", "defect_types.csv"}
    (out / "coils.csv").write_text("coil\nold\n", encoding="utf-8")
    assert set(exported(own_engine, out)) == {"plant.toml", "lines.csv", "defect_types.csv"}


@pytest.mark.parametrize(
    ("files", "told"),
    [
        ({"mine.csv": ""}, "holds mine.csv, which no export writes"),
        ({"lines.rejected.csv": ""}, "holds lines.rejected.csv, which no export writes"),
        ({"lines.csv": "line\n1\n"}, "no export of the plant 'Alder Point'"),
        ({"plant.toml": PLANT.replace("Alder", "Birch")}, "no export of the plant 'Alder Point'"),
        ({"plant.toml": "what?"}, "no export of the plant 'Alder Point'"),
    ],
)
def test_what_is_no_export_of_this_plant_is_not_written_over(
    own_engine: Engine, tmp_path: Path, files: dict[str, str], told: str
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", {}))
    out = tmp_path / "out"
    out.mkdir()
    for name, written in files.items():
        (out / name).write_text(written, encoding="utf-8")
    with pytest.raises(TracelogError, match=told):
        exported(own_engine, out)
    assert {path.name: path.read_text(encoding="utf-8") for path in out.iterdir()} == files


def test_an_export_that_breaks_off_leaves_the_old_one(
    own_engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    out = tmp_path / "out"
    before = exported(own_engine, out)
    import_into(own_engine, write_folder(tmp_path / "more", EVERYTHING))

    def full(descriptor: int) -> None:
        if len(list(out.glob("*.half"))) > 7:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr("tracelog.intake.folder_export.os.fsync", full)
    with pytest.raises(TracelogError, match="cannot be written: No space left on device"):
        exported(own_engine, out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_without_a_plant_there_is_nothing_to_export(own_engine: Engine, tmp_path: Path) -> None:
    with pytest.raises(NoPlant, match="nothing to export"):
        exported(own_engine, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_no_cell_of_an_export_is_run_and_each_comes_back_as_it_was(
    own_engine: Engine, tmp_path: Path, databases: Databases
) -> None:
    notes = ["=1+1", "-x", "@sum", "＝3", "''=own", "'quoted'", '=HYPERLINK("http://x.example")']
    rows = good_rows()
    rows["coils.csv"] += [{"coil": f"F{n}", "note": note} for n, note in enumerate(notes)]
    import_good(own_engine, write_folder(tmp_path / "plant", rows))
    first = exported(own_engine, tmp_path / "first")
    written = [row[-1] for row in csv.reader(first["coils.csv"].decode().splitlines())]
    for note in notes:
        kept = as_it_was(note)
        assert harmless(kept) in written, note
    assert not [cell for cell in written if harmless(cell) != cell and cell[:1] != "'"]

    other = open_engine(databases.migrated())
    import_good(other, tmp_path / "first")
    assert _coils(other) == _coils(own_engine)
    assert exported(other, tmp_path / "second") == first
    other.dispose()

    bad = write_folder(tmp_path / "bad", {"coils.csv": [{"coil": "F9", "gauge_mm": "=1+1"}]})
    [rejected] = import_into(own_engine, bad, keep_good=True).rejected
    assert "'=1+1" in rejected.read_text(encoding="utf-8")


def _coils(engine: Engine) -> list[tuple[str, str | None]]:
    with reading(engine) as session:
        found = session.execute(text("SELECT coil, note FROM coils ORDER BY coil"))
        return [(row.coil, row.note) for row in found]
