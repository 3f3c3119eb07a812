"""The reference data: complete, consistent, sourced, and strict about edits."""

import re
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import FrozenInstanceError
from pathlib import Path
from typing import Any

import pytest

from tracelog import reference
from tracelog.paths import shared_folder
from tracelog.reference import FaultyReference, read_reference

FILES = (
    "cautions.toml",
    "change_kinds.toml",
    "characteristics.toml",
    "checks_routine.toml",
    "defects.toml",
    "dome_digits.toml",
    "service_levels.toml",
    "station_parts.toml",
    "stations.toml",
    "tool_types.toml",
)
# The digits that are still digits after half a turn.
HALF_TURN = {"0": "0", "1": "1", "6": "9", "8": "8", "9": "6"}


def turned(number: str) -> str:
    return "".join(HALF_TURN[digit] for digit in reversed(number))


def all_rows() -> list[Any]:
    rows: list[Any] = [reference.service_window(), reference.run_in()]
    for read in (
        reference.severities,
        reference.origins,
        reference.defect_types,
        reference.tool_types,
        reference.service_levels,
        reference.stations,
        reference.station_parts,
        reference.confusable_digits,
        reference.routine_checks,
        reference.characteristics,
        reference.change_kinds,
    ):
        rows.extend(read())
    rows.extend(reference.caution(place) for place in reference.CAUTION_PLACES)
    rows.extend(cause for defect in reference.defect_types() for cause in defect.causes)
    return rows


def test_every_file_of_the_folder_is_known_to_the_loader_and_to_these_tests() -> None:
    assert sorted(path.name for path in shared_folder().glob("*.toml")) == sorted(FILES)


@pytest.mark.parametrize("name", FILES)
def test_every_file_parses_and_begins_with_its_caveat_and_sources(name: str) -> None:
    text = (shared_folder() / name).read_text("utf-8")
    assert tomllib.loads(text)
    header = " ".join(
        line.removeprefix("#").strip()
        for line in text.split("\n\n[", maxsplit=1)[0].splitlines()
        if line.startswith("#")
    )
    assert "Every limit here is a starting default: the plant's own specification always wins" in (
        header
    )
    assert "Sources." in header


@pytest.mark.parametrize("name", FILES)
def test_no_source_is_a_mark_whose_meaning_is_elsewhere(name: str) -> None:
    text = (shared_folder() / name).read_text("utf-8")
    assert not re.search(r"\[?\bS\d{1,2}\b\]?|\bCP\b|\bMEM\b|\*\*", text)


def test_every_fact_has_a_source() -> None:
    rows = all_rows()
    assert len(rows) > 300
    assert [row for row in rows if not row.source.strip()] == []
    assert {defect.order_source for defect in reference.defect_types()} == {"from memory"}
    assert {check.can_see_source for check in reference.routine_checks()} == {"from memory"}


def test_every_source_is_a_publication_or_says_that_there_is_none() -> None:
    openings = (
        "common practice, no source",
        "from memory",
        "follows from the shape of the digits",
        "MRS Bulletin",
        "a 2016 paper on iron-rich constituents in 3104",
        "a university study, designed experiment on necking defects",
        "public patent texts",
        "US 29 CFR 1910.147",
        "US 21 CFR 175.300",
    )
    assert [row for row in all_rows() if not row.source.startswith(openings)] == []


def test_the_vocabulary_has_its_59_codes_each_once() -> None:
    codes = [defect.defect for defect in reference.defect_types()]
    assert len(codes) == len(set(codes)) == 59
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", code) for code in codes)
    names = [defect.name for defect in reference.defect_types()]
    assert len(set(names)) == len(names)


def test_every_stage_severity_station_and_origin_of_a_defect_is_known() -> None:
    stages = {row.stage for row in reference.stages()}
    places = {row.station for row in reference.stations()}
    origins = {row.word for row in reference.origins()}
    for defect in reference.defect_types():
        assert defect.stage in stages
        assert defect.severity in reference.SEVERITIES
        assert defect.arises_at in places
        assert set(defect.found_at) <= places
        assert defect.found_at
        assert set(defect.traces_to) <= origins
        assert defect.traces_to
    used = {defect.stage for defect in reference.defect_types()}
    assert used == stages, "a stage without a defect"
    assert {word for defect in reference.defect_types() for word in defect.traces_to} == origins


def test_defects_stand_in_the_order_of_their_stages() -> None:
    order = [row.stage for row in reference.stages()]
    places = [order.index(defect.stage) for defect in reference.defect_types()]
    assert places == sorted(places)


def test_a_wrong_label_is_the_only_defect_with_the_severity_label() -> None:
    labels = [row.defect for row in reference.defect_types() if row.severity == "label"]
    assert labels == ["print-wrong"]


def test_every_cause_in_the_file_has_three_parts_and_says_where_it_would_show() -> None:
    file = tomllib.loads((shared_folder() / "defects.toml").read_text("utf-8"))
    for table in file["defect"]:
        assert len(table["causes"]) >= 3, table["defect"]
        for cause in table["causes"]:
            texts = {name: text for name, text in cause.items() if name != "points_to"}
            assert set(texts) - {"source"} == {"cause", "check", "remedy"}, table["defect"]
            assert all(text.strip() for text in texts.values())
            assert cause["points_to"], (table["defect"], cause["cause"])
            assert len(set(cause["points_to"])) == len(cause["points_to"])
        assert len({cause["cause"] for cause in table["causes"]}) == len(table["causes"])


def test_a_cause_without_a_source_of_its_own_takes_that_of_its_defect() -> None:
    pinhole = reference.defect_type("pinhole")
    assert pinhole is not None
    assert pinhole.causes[0].source.startswith("a 2016 paper")
    assert pinhole.causes[1].source == pinhole.source == "common practice, no source"


def test_an_unknown_code_has_no_defect_type() -> None:
    assert reference.defect_type("no-such-defect") is None


def test_every_failure_sign_of_a_tool_is_a_defect_that_arises_in_cans() -> None:
    for tool in reference.tool_types():
        assert tool.failure_signs, tool.tool_type
        assert len(set(tool.failure_signs)) == len(tool.failure_signs)
        for code in tool.failure_signs:
            assert reference.defect_type(code) is not None, f"{tool.tool_type}: {code}"


def test_a_tool_life_has_both_ends_or_none() -> None:
    for tool in reference.tool_types():
        assert (tool.life_strokes_low is None) == (tool.life_strokes_high is None)
        assert (tool.regrinds_low is None) == (tool.regrinds_high is None)
        if tool.life_strokes_low is not None and tool.life_strokes_high is not None:
            assert 1_000_000 <= tool.life_strokes_low <= tool.life_strokes_high


def test_the_positions_of_the_tool_pack_are_tool_types() -> None:
    words = {tool.tool_type for tool in reference.tool_types()}
    assert words >= {"ring-1", "ring-2", "ring-3", "punch"}
    assert words >= {"redraw-die", "redraw-sleeve", "doming-tool"}


def test_later_rings_live_shorter() -> None:
    lives = {tool.tool_type: tool.life_strokes_high or 0 for tool in reference.tool_types()}
    assert lives["ring-1"] > lives["ring-2"] > lives["ring-3"] > 0


def test_a_heavier_service_level_contains_every_lighter_one_and_comes_less_often() -> None:
    levels = reference.service_levels()
    for number, level in enumerate(levels):
        assert list(level.contains) == [lighter.service for lighter in levels[:number]]
    days = [level.interval_days or 0 for level in levels]
    assert days == sorted(set(days))
    overhaul = next(level for level in levels if level.service == "overhaul")
    assert (overhaul.interval_strokes, overhaul.interval_days) == (100_000_000, 182)


def test_stations_of_the_process_are_numbered_without_a_gap() -> None:
    process = [row for row in reference.stations() if row.kind == "process"]
    assert [row.order for row in process] == list(range(1, 18))
    assert all(row.order is None for row in reference.stations() if row.kind != "process")


def test_bodymakers_are_mixed_at_the_washer_and_not_before() -> None:
    stations = {row.station: row for row in reference.stations()}
    assert stations["bodymaker"].keeps_order
    assert stations["trimmer"].keeps_order
    assert not stations["washer"].keeps_order


@pytest.mark.parametrize(("kind", "digits"), [("turned", 1), ("turned-pair", 2)])
def test_turned_numbers_are_all_those_that_half_a_turn_makes(kind: str, digits: int) -> None:
    row = next(row for row in reference.confusable_digits() if row.kind == kind)
    one = list(HALF_TURN)
    numbers = one if digits == 1 else [first + second for first in one for second in one]
    changed = {frozenset((number, turned(number))) for number in numbers}
    assert {frozenset(pair) for pair in row.pairs} == {pair for pair in changed if len(pair) == 2}
    assert set(row.unchanged) == {number for number in numbers if turned(number) == number}
    assert row.both_ways


def test_every_confusion_has_a_cure_and_pairs_of_two_different_readings() -> None:
    rows = {row.kind: row for row in reference.confusable_digits()}
    assert {"turned", "worn", "mirrored", "double-struck", "swapped"} <= set(rows)
    for row in rows.values():
        assert row.cure
        assert all(on_can != read for on_can, read in row.pairs)
        assert len({frozenset(pair) for pair in row.pairs}) == len(row.pairs)
        assert bool(row.pairs) == (row.kind != "not-a-number")
    assert ("1", "11") in rows["double-struck"].pairs
    assert not rows["double-struck"].both_ways


def test_every_check_knows_where_and_what_it_can_see() -> None:
    checks = {row.check: row for row in reference.routine_checks()}
    assert len(checks) == 18
    places = {row.station for row in reference.stations()}
    for check in checks.values():
        assert check.where in places
        for code in check.can_see:
            assert reference.defect_type(code) is not None, f"{check.check}: {code}"
    assert checks["dome-reversal"].stop_below == 90.0
    assert "pinhole" not in checks["thin-wall-average"].can_see


def test_a_check_with_figures_has_a_unit_and_warns_before_it_stops() -> None:
    for check in reference.routine_checks():
        figures = (check.target_low, check.target_high, check.tolerance, check.warn_above)
        assert check.unit or not any(figures), check.check
        if check.warn_above is not None:
            assert check.stop_above is not None
            assert (check.target_high or 0) < check.warn_above < check.stop_above
        if check.stop_below is not None:
            assert check.target_low is not None
            assert check.stop_below < check.target_low


@pytest.mark.parametrize(
    "place",
    ["service", "tool_change", "log_running_machine", "explanation", "hold", "chemicals"],
)
def test_a_caution_stands_at_each_place_of_action(place: str) -> None:
    caution = reference.caution(place)
    assert caution.place == place
    assert 1 <= len(re.findall(r"[.?](?= |$)", caution.text)) <= 3
    assert re.search(
        r"authorised person|site (procedure|rules)|quality authority|local (codes|law)",
        caution.text,
        re.IGNORECASE,
    )


def test_no_caution_says_that_a_machine_is_safe() -> None:
    file = tomllib.loads((shared_folder() / "cautions.toml").read_text("utf-8"))
    for row in file["caution"]:
        assert not re.search(r"\b(is|are|now) (safe|locked|ready|isolated)\b", row["text"])


def test_an_unknown_place_has_no_caution() -> None:
    with pytest.raises(FaultyReference, match="there is no caution for roof"):
        reference.caution("roof")


def test_the_usual_kinds_of_change_are_offered() -> None:
    kinds = [row.kind for row in reference.change_kinds()]
    assert len(set(kinds)) == len(kinds)
    assert set(kinds) >= {
        "coolant",
        "can-height",
        "pressure-setting",
        "lubricator",
        "label",
        "operator-training",
        "speed",
        "tool-setting",
    }


def test_reference_data_are_read_once_and_cannot_be_changed() -> None:
    assert reference.defect_types() is reference.defect_types()
    with pytest.raises(FrozenInstanceError):
        reference.defect_types()[0].name = "something else"  # type: ignore[misc]


@pytest.fixture
def edited(tmp_path: Path) -> Callable[[str, str, str], Path]:
    """Copies the reference data and replaces one passage of one file."""

    def edit(name: str, old: str, new: str) -> Path:
        for file in FILES:
            shutil.copy(shared_folder() / file, tmp_path / file)
        text = (tmp_path / name).read_text("utf-8")
        assert old in text
        (tmp_path / name).write_text(text.replace(old, new, 1), "utf-8")
        return tmp_path

    return edit


def test_an_unedited_copy_reads_like_the_original(
    edited: Callable[[str, str, str], Path],
) -> None:
    found = read_reference(edited("defects.toml", "cup-wrinkle", "cup-wrinkle"))
    assert found.defect_types == reference.defect_types()


@pytest.mark.parametrize(
    ("name", "old", "new", "sentence"),
    [
        ("defects.toml", 'stage = "cupping"\nsev', 'stage = "cuping"\nsev', "cuping is not known"),
        ("defects.toml", 'severity = "run"', 'severity = "bad"', "bad is not known"),
        ("defects.toml", 'word = "leak"', 'word = "drip"', "drip is not known"),
        ("defects.toml", 'arises_at = "cupper"', 'arises_at = "attic"', "attic is not known"),
        ("defects.toml", 'traces_to = ["coil"]', 'traces_to = ["moon"]', "moon is not known"),
        ("defects.toml", '"tool:punch"', '"tool:fist"', "tool:fist is not known"),
        ("defects.toml", 'defect = "cup-split"', 'defect = "cup-wrinkle"', "stands twice"),
        ("defects.toml", 'defect = "cup-split"\n', "", "defect number 2: defect is missing"),
        ("defects.toml", "remedy = ", "repair = ", "cause 1: repair is not a known field"),
        ("defects.toml", 'looks = "Waves', 'look = "Waves', "look is not a known field"),
        ("defects.toml", 'name = "wrinkled cup"', 'name = " "', "name should be a text that is"),
        ("defects.toml", 'order_source = "from memory"', "", "order_source is missing or blank"),
        ("tool_types.toml", '"redraw-uneven"]', '"redraw-odd"]', "redraw-odd is not known"),
        ("tool_types.toml", "20_000_000", "90_000_000", "life_strokes does not lie in its range"),
        ("tool_types.toml", "20_000_000", "-1", "life_strokes_low should be a whole number"),
        ("tool_types.toml", '"serial"\n', '"luck"\n', "luck is not known"),
        ("service_levels.toml", 'contains = ["daily"]', 'contains = ["major"]', "major is not"),
        ("service_levels.toml", "interval_days = 1\n", "", "interval_strokes or interval_days"),
        ("service_levels.toml", "hours = 1.5", "hours = 15", "hours does not lie in its range"),
        ("service_levels.toml", "[window]", "[gap]", r"\[window\]: is missing"),
        ("stations.toml", "keeps_order = true", 'keeps_order = "yes"', "should be true or false"),
        ("stations.toml", 'kind = "process"', 'kind = "magic"', "magic is not known"),
        ("dome_digits.toml", '[["6", "9"]]', '[["6"]]', "should be a list of pairs of texts"),
        ("checks_routine.toml", '["wall-uneven"]', '["wall-odd"]', "wall-odd is not known"),
        ("cautions.toml", 'place = "hold"', 'place = "wall"', "cautions.toml: hold is not known"),
        ("characteristics.toml", 'bad_side = "both"', 'bad_side = "left"', "left is not known"),
        ("characteristics.toml", "lower = 0.070", "lower = 0.170", "do not rise in this order"),
        ("characteristics.toml", 'chart = "auto"', 'chart = "pie"', "pie is not known"),
        ("characteristics.toml", 'shape = "normal"', 'shape = "odd"', "odd is not known"),
        ("change_kinds.toml", "source =", "sauce =", "sauce is not a known field"),
        ("change_kinds.toml", "[[change_kind]]", "[[change_kind", "is not valid TOML"),
    ],
)
def test_a_faulty_edit_is_refused_with_its_place_and_reason(
    edited: Callable[[str, str, str], Path], name: str, old: str, new: str, sentence: str
) -> None:
    with pytest.raises(FaultyReference, match=sentence) as caught:
        read_reference(edited(name, old, new))
    assert str(caught.value).startswith(f"{name}: ")


def test_a_missing_file_is_named(edited: Callable[[str, str, str], Path]) -> None:
    folder = edited("defects.toml", "cup-wrinkle", "cup-wrinkle")
    (folder / "stations.toml").unlink()
    with pytest.raises(FaultyReference, match=r"stations\.toml: cannot be read"):
        read_reference(folder)
