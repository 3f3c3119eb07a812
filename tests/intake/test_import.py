"""A plant folder goes in as a whole or not at all."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from tests.intake.folders import (
    GOOD,
    PLANT,
    Rows,
    content,
    derived,
    exported,
    good_rows,
    import_good,
    import_into,
    row_count,
    sentences,
    write_folder,
)
from tests.support.databases import Databases
from tracelog.audit import broken_links
from tracelog.db import reading
from tracelog.errors import NoPlant, TracelogError
from tracelog.intake.files import FILES
from tracelog.outcomes import Became
from tracelog.web.sheets import harmless

OpenDatabase = Callable[[str], Engine]


def test_every_row_is_in_and_counted(own_engine: Engine, tmp_path: Path) -> None:
    done = import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    assert [file.file for file in done.report.files] == [
        "plant.toml",
        *(file.name for file in FILES),
    ]
    for file in done.report.files:
        assert file.became == {Became.CREATED: len(GOOD.get(file.file, [1]))}
    assert done.report.seeded_defect_types == 0
    assert len(derived(own_engine)["current_entries"]) == 3


def test_one_audit_record_stands_for_each_file(own_engine: Engine, tmp_path: Path) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    with reading(own_engine) as session:
        assert broken_links(session) == []
        records = session.execute(
            text("SELECT actor, door, count(*) FROM audit_records GROUP BY 1, 2")
        ).one()
    assert tuple(records) == ("Robin", "import", len(FILES) + 1)


def test_the_same_folder_again_changes_nothing(own_engine: Engine, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    import_good(own_engine, folder)
    before = content(own_engine)
    done = import_good(own_engine, folder)
    assert all(set(file.became) == {Became.UNCHANGED} for file in done.report.files)
    assert content(own_engine) == before


def test_a_dry_run_reports_and_writes_nothing(own_engine: Engine, tmp_path: Path) -> None:
    rows = good_rows()
    rows["coils.csv"].append({"coil": "K3", "gauge_mm": "thick"})
    folder = write_folder(tmp_path / "plant", rows)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    done = import_into(own_engine, folder, dry_run=True, keep_good=True)
    assert sentences(done) == [
        "coils.csv:4: gauge_mm: 'thick' is not a number; write it such as 12 or 0.25"
    ]
    assert not done.is_kept
    assert row_count(own_engine) == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_bad_rows_of_all_files_are_told_and_none_is_written(
    own_engine: Engine, tmp_path: Path
) -> None:
    rows = good_rows()
    rows["coils.csv"].append({"coil": "K3", "gauge_mm": "thick"})
    rows["coils.csv"].append({"alloy": "3104"})
    rows["pallets.csv"].insert(0, {"pallet": "N0", "line": "1", "started_at": "then"})
    done = import_into(own_engine, write_folder(tmp_path / "plant", rows))
    assert [(f.file, f.line, f.column) for f in done.report.faults] == [
        ("coils.csv", 4, "gauge_mm"),
        ("coils.csv", 5, "coil"),
        ("pallets.csv", 2, "started_at"),
    ]
    assert row_count(own_engine) == 0


def test_keep_good_takes_the_good_rows_and_puts_the_others_beside(
    own_engine: Engine, tmp_path: Path
) -> None:
    rows = good_rows()
    rows["coils.csv"].append({"coil": "K3", "alloy": "=1+1", "gauge_mm": "thick"})
    folder = write_folder(tmp_path / "plant", rows)
    done = import_into(own_engine, folder, keep_good=True)
    assert done.is_kept
    assert [path.name for path in done.rejected] == ["coils.rejected.csv"]
    with (folder / "coils.rejected.csv").open(encoding="utf-8", newline="") as opened:
        assert list(csv.reader(opened)) == [
            ["coil", "alloy", "gauge_mm", "note", "reason"],
            [
                "K3",
                "'=1+1",
                "thick",
                "",
                "gauge_mm: 'thick' is not a number; write it such as 12 or 0.25",
            ],
        ]
    assert len(content(own_engine)["coils"]) == 2
    # The rejected file is no input, whatever stands in it.
    assert import_into(own_engine, folder, keep_good=True).is_kept


def test_a_rejected_row_keeps_cells_and_bytes_as_they_were(
    own_engine: Engine, tmp_path: Path
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    with (folder / "coils.csv").open("ab") as opened:
        opened.write(b'K3,a,b,c,d,e\nK\xe94,x,,\n"K5"y,,,\n')
    done = import_into(own_engine, folder, keep_good=True)
    assert done.is_kept
    lines = (folder / "coils.rejected.csv").read_bytes().split(b"\n")
    assert lines[1].startswith(b'K3,a,b,c,"has 6 cells')
    assert lines[1].endswith(b'| d,e"')
    assert lines[2].startswith(b"K\xe94,x,,,")
    assert lines[3].startswith(b'"""K5""y,,,",,,,')


def test_rows_that_depend_on_a_refused_row_say_so(own_engine: Engine, tmp_path: Path) -> None:
    rows = good_rows()
    rows["lines.csv"][1]["name"] = "x" * 81
    rows["tools.csv"][1]["life_strokes"] = "long"
    rows["coils.csv"][0]["gauge_mm"] = "thick"
    rows["defect_types.csv"][1]["severity"] = "bad"
    rows["service_levels.csv"][0]["hours"] = "many"
    rows["defects.csv"][0]["cans"] = "many"
    rows["readings.csv"].append(
        {"line": "02", "bodymaker": "1", "read_at": "2026-03-01T06:00:00Z", "strokes": "1"}
    )
    rows["defects.csv"].append(
        {"seen_at": "2026-03-01T06:00:00Z", "dome_code": "02/1", "defect": "split"}
    )
    done = import_into(own_engine, write_folder(tmp_path / "plant", rows))
    told = sentences(done)
    for place, cause in {
        "machines.csv:5: line": "lines.csv:3",
        "readings.csv:7: line": "lines.csv:3",
        "defects.csv:5: dome_code": "lines.csv:3",
        "tool_fits.csv:3: serial": "tools.csv:3",
        "coil_runs.csv:2: coil": "coils.csv:2",
        "defects.csv:4: defect": "defect_types.csv:3",
        "services.csv:2: service": "service_levels.csv:2",
        "service_pins.csv:2: service": "service_levels.csv:2",
        "defect_corrections.csv:2: entry": "defects.csv:2",
    }.items():
        assert f"{place}: depends on {cause}, which is refused; mend that row first" in told
    # Several kinds together are told by themselves, not by the row of one of them.
    assert "baselines.csv:6: of: 'wrinkle' is not a kind of defect here; known are split" in told
    assert len(told) == 16


def test_a_bodymaker_that_was_refused_is_named_to_those_that_need_it(
    own_engine: Engine, tmp_path: Path
) -> None:
    rows: Rows = {
        "lines.csv": [{"line": "1"}],
        "machines.csv": [
            {"line": "01", "station": "bodymaker", "number": "07", "rated_spm": "fast"}
        ],
        "changes.csv": [
            {"line": "1", "bodymaker": "7", "at": "2026-03-01T06:00:00Z", "kind": "label"}
        ],
    }
    done = import_into(own_engine, write_folder(tmp_path / "plant", rows))
    assert sentences(done)[1] == (
        "changes.csv:2: bodymaker: depends on machines.csv:2, which is refused; mend that row first"
    )


@pytest.mark.parametrize("name", ["colours.csv", "Lines.CSV", "settings.toml", "._lines.csv"])
def test_a_file_that_does_not_belong_here_is_named(
    own_engine: Engine, tmp_path: Path, name: str
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    (folder / name).write_text("x\n", encoding="utf-8")
    done = import_into(own_engine, folder, keep_good=True)
    (told,) = sentences(done)
    assert told.startswith(f"{name}: is not a file of a plant folder; files are plant.toml, ")
    assert not done.is_kept
    assert row_count(own_engine) == 0


def test_other_files_and_folders_are_left_alone(own_engine: Engine, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    (folder / "notes.txt").write_text("hello", encoding="utf-8")
    (folder / "old.csv").mkdir()
    assert import_good(own_engine, folder).is_kept


def test_a_header_that_is_wrong_stops_even_keep_good(own_engine: Engine, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    (folder / "lines.csv").write_text("line,colour\n1,red\n2,blue\n", encoding="utf-8")
    done = import_into(own_engine, folder, keep_good=True)
    told = sentences(done)
    assert told[0] == "lines.csv:1: colour: is not a column of this file; columns are line, name"
    assert told[1] == (
        "machines.csv:2: 4 rows from here on depend on lines.csv, which cannot be taken as it is;"
        " mend it first"
    )
    assert not done.is_kept
    assert row_count(own_engine) == 0


def test_without_a_plant_nothing_can_be_imported(own_engine: Engine, tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "plant", {"lines.csv": [{"line": "1"}]})
    (folder / "plant.toml").unlink()
    with pytest.raises(NoPlant, match=r"no plant yet; import a folder with a plant\.toml"):
        import_into(own_engine, folder)


def test_a_folder_without_files_of_a_plant_is_told(own_engine: Engine, tmp_path: Path) -> None:
    with pytest.raises(TracelogError, match=r"holds no file of a plant folder; files are plant"):
        import_into(own_engine, tmp_path)


def test_a_bad_plant_does_not_hide_what_is_wrong_in_the_other_files(
    own_engine: Engine, tmp_path: Path
) -> None:
    rows = good_rows()
    rows["coils.csv"][0]["gauge_mm"] = "thick"
    folder = write_folder(tmp_path / "plant", rows)
    (folder / "plant.toml").write_text(PLANT.replace("[20, 95]", "[95, 20]"), encoding="utf-8")
    told = sentences(import_into(own_engine, folder))
    assert told[0].startswith("plant.toml:5: transit: minutes: has the longest before")
    assert "coils.csv:2: gauge_mm: 'thick' is not a number; write it such as 12 or 0.25" in told
    assert (
        "coils.csv:3: 1 rows from here on depend on plant.toml, which cannot be taken as it is;"
        " mend it first" in told
    )
    assert row_count(own_engine) == 0


@pytest.mark.parametrize("keep_good", [False, True])
def test_another_plant_is_refused_with_all_its_rows(
    own_engine: Engine, tmp_path: Path, keep_good: bool
) -> None:
    import_good(own_engine, write_folder(tmp_path / "plant", GOOD))
    before = content(own_engine)
    other = write_folder(tmp_path / "other", {"lines.csv": [{"line": "5"}, {"line": "6"}]})
    (other / "plant.toml").write_text(PLANT.replace("Alder", "Birch"), encoding="utf-8")
    assert sentences(import_into(own_engine, other, keep_good=keep_good)) == [
        "plant.toml:1: name: is 'Birch Point', but this database keeps the plant 'Alder Point';"
        " one database keeps one plant, so import it into another",
        "lines.csv:2: 2 rows from here on depend on plant.toml, which cannot be taken as it is;"
        " mend it first",
    ]
    assert content(own_engine) == before
    assert not list(other.glob("*.rejected.csv"))


def test_a_contradiction_to_what_was_accepted_is_refused(
    own_engine: Engine, tmp_path: Path
) -> None:
    import_good(own_engine, write_folder(tmp_path / "first", GOOD))
    before = content(own_engine)
    rows = good_rows()
    rows["pallets.csv"][0]["cans"] = "8000"
    rows["readings.csv"][0]["strokes"] = "900001"
    rows["services.csv"][0]["unplanned"] = "yes"
    rows["coil_runs.csv"][0]["ended_at"] = "2026-03-01T09:00:01Z"
    rows["defects.csv"][0]["cans"] = "3"
    rows["measurements.csv"][0]["value"] = "0.1"
    done = import_into(own_engine, write_folder(tmp_path / "second", rows))
    assert [(f.file, f.line, f.column) for f in done.report.faults] == [
        ("coil_runs.csv", 2, "ended_at"),
        ("pallets.csv", 2, "cans"),
        ("readings.csv", 2, "strokes"),
        ("services.csv", 2, "unplanned"),
        ("defects.csv", 2, "id"),
        ("measurements.csv", 2, "value"),
    ]
    assert "'8000' contradicts '8169'" in sentences(done)[1]
    assert content(own_engine) == before


def test_settings_change_and_ends_are_filled_in(own_engine: Engine, tmp_path: Path) -> None:
    import_good(own_engine, write_folder(tmp_path / "first", GOOD))
    rows = good_rows()
    rows["lines.csv"][0]["name"] = "First line"
    rows["lines.csv"][1]["name"] = "Second line"
    rows["pallets.csv"][1] |= {"ended_at": "2026-03-01T07:00:00Z", "cans": "8000"}
    rows["pallets.csv"][0] |= {"ended_at": "", "cans": ""}
    rows["tool_fits.csv"][1] |= {"removed_at": "2026-03-20T07:00:00Z"}
    done = import_good(own_engine, write_folder(tmp_path / "second", rows))
    became = {file.file: dict(file.became) for file in done.report.files}
    assert became["lines.csv"] == {Became.CHANGED: 1, Became.COMPLETED: 1}
    assert became["pallets.csv"] == {Became.COMPLETED: 1, Became.UNCHANGED: 1}
    assert became["tool_fits.csv"] == {Became.COMPLETED: 1, Became.UNCHANGED: 2}
    pallets = exported(own_engine, tmp_path / "out")["pallets.csv"].decode().splitlines()
    assert pallets[1:] == [
        "N1,1,2026-03-01T06:30:00Z,2026-03-01T06:45:00Z,8169,released",
        "N2,1,2026-03-01T06:45:00Z,2026-03-01T07:00:00Z,8000,",
    ]


def test_settings_that_come_later_count_as_if_they_had_come_first(
    own_engine: Engine, databases: Databases, open_database: OpenDatabase, tmp_path: Path
) -> None:
    at_once = open_database(databases.migrated())
    import_good(at_once, write_folder(tmp_path / "whole", GOOD))
    rows = good_rows()
    # The counter's last figure is corrected, a code is recorded and a machine comes up later.
    early = rows | {"machines.csv": good_rows()["machines.csv"][:3]}
    early["machines.csv"][0]["counter_max"] = "5000000"
    late = {name: rows[name] for name in ("machines.csv", "dome_codes.csv")}
    del early["dome_codes.csv"]
    import_good(own_engine, write_folder(tmp_path / "first", early))
    assert derived(own_engine) != derived(at_once)
    import_good(own_engine, write_folder(tmp_path / "second", late))
    assert derived(own_engine) == derived(at_once)


def test_a_corrected_time_zone_counts_the_hours_anew(
    own_engine: Engine, databases: Databases, open_database: OpenDatabase, tmp_path: Path
) -> None:
    folder = write_folder(tmp_path / "plant", GOOD)
    plant = PLANT.replace("Europe/Madrid", "Asia/Kathmandu")
    import_good(own_engine, folder)
    (folder / "plant.toml").write_text(plant, encoding="utf-8")
    at_once = open_database(databases.migrated())
    import_good(at_once, folder)
    assert derived(own_engine)["stroke_hours"] != derived(at_once)["stroke_hours"]
    import_good(own_engine, folder)
    assert derived(own_engine) == derived(at_once)


def test_the_built_in_vocabulary_comes_with_a_plant_that_has_none(
    own_engine: Engine, tmp_path: Path
) -> None:
    folder = write_folder(tmp_path / "plant", {"lines.csv": [{"line": "1"}]})
    seeded = import_good(own_engine, folder).report.seeded_defect_types
    assert seeded > 20
    assert len(content(own_engine)["defect_types"]) == seeded
    assert import_good(own_engine, folder).report.seeded_defect_types == 0


def test_a_line_that_repeats_is_told_only_if_it_contradicts(
    own_engine: Engine, tmp_path: Path
) -> None:
    rows: Rows = {
        "lines.csv": [{"line": "1", "name": "A"}, {"line": "1"}, {"line": "1", "name": "A"}]
    }
    import_good(own_engine, write_folder(tmp_path / "plant", rows))
    rows["lines.csv"].append({"line": "1", "name": "B"})
    rows["lines.csv"].append({"line": "1", "name": "C"})
    assert sentences(import_into(own_engine, write_folder(tmp_path / "plant", rows))) == [
        f"lines.csv:{line}: name: '{name}' contradicts 'A' in another row with the same key;"
        " keep one of them"
        for line, name in ((5, "B"), (6, "C"))
    ]


def test_a_cell_that_a_spreadsheet_would_run_stays_text(own_engine: Engine, tmp_path: Path) -> None:
    rows = good_rows()
    cells = ["=1+1", "@SUM(A1)", "+1", "-1", '=HYPERLINK("x")', "a,b", 'say "x"', "\\N", "a\\tb"]
    rows["tools.csv"] += [{"serial": cell, "note": f"{cell}\nnext line"} for cell in cells]
    import_good(own_engine, write_folder(tmp_path / "plant", rows))
    out = tmp_path / "out"
    exported(own_engine, out)
    with (out / "tools.csv").open(encoding="utf-8", newline="") as opened:
        found = {row["serial"]: row["note"] for row in csv.DictReader(opened)}
    wanted = {harmless(cell): harmless(f"{cell}\nnext line") for cell in cells}
    assert {cell: found[cell] for cell in wanted} == wanted
