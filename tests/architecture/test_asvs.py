"""The table of security requirements says what is so, and what it leans on is there."""

import ast
import re
from collections import Counter
from functools import cache
from pathlib import Path

from tests.support import tree
from tracelog.intake.reject_actions import KEPT_DAYS
from tracelog.people.attempt_rules import ADDRESS_KNOWN_FOR, DEVICE_KNOWN_FOR, FORGOTTEN_AFTER
from tracelog.people.password_rules import FIRST_FOR
from tracelog.people.pin_rules import ONCE_FOR
from tracelog.people.scopes import LONGEST_LIFE
from tracelog.people.session_rules import KEPT_FOR, LONGEST

TABLE = Path("docs/asvs.md")
QUEUE = Path("tracelog/web/static/queue.js")
ROW = re.compile(r"^\| v5\.0\.0-(\d+)\.(\d+)\.(\d+) \| ([12]) \| (.+?) \| (.+?) \| (.+) \|$")
# How many requirements of levels 1 and 2 each chapter of version 5.0.0 has, counted in the
# standard's own table (70 of level 1, 183 of level 2).
CHAPTERS = (27, 11, 19, 10, 9, 35, 18, 7, 7, 29, 14, 9, 13, 9, 13, 16, 7)
# What the page must say, since rows of the table name it as the place where it is written.
SECTIONS = (
    *("What is protected", "Threats", "Ways in", "Sessions", "Limits", "Files", "Secrets and keys"),
    *("Whom the program talks to", "Data", "Logs", "Libraries", "Costly work", "Hardening"),
    *("Reporting a weakness", "Supported versions"),
)
RUNS_TEXT = {"eval", "exec", "compile", "__import__", "render_template_string", "from_string"}
READS_ANYTHING = {"pickle", "marshal", "shelve", "dill", "yaml", "jsonpickle"}


def _rows() -> list[re.Match[str]]:
    lines = [line for line in tree.text(TABLE).splitlines() if line.startswith("| v5")]
    found = [ROW.match(line) for line in lines]
    assert all(found), [line for line, one in zip(lines, found, strict=True) if one is None]
    return [one for one in found if one]


@cache
def _tests_in(path: str) -> frozenset[str]:
    found = ast.walk(tree.syntax(Path(path)))
    return frozenset(one.name for one in found if isinstance(one, ast.FunctionDef))


def test_every_requirement_of_levels_1_and_2_has_one_row() -> None:
    numbers = [tuple(map(int, row.group(1, 2, 3))) for row in _rows()]
    assert numbers == sorted(set(numbers))
    per_chapter = Counter(number[0] for number in numbers)
    assert tuple(per_chapter[chapter] for chapter in range(1, 18)) == CHAPTERS
    assert Counter(row[4] for row in _rows()) == {"1": 70, "2": 183}


def test_what_is_met_names_tests_that_are_there_and_the_rest_says_why() -> None:
    wrong = []
    states: Counter[str] = Counter()
    for row in _rows():
        number, state, where = ".".join(row.group(1, 2, 3)), row[6], row[7]
        states[state] += 1
        named = re.findall(r"`(tests/[\w/]+\.py)::(test_\w+)`", where)
        if state == "met":
            wrong += [number] * (not named or where != "<br>".join(f"`{p}::{t}`" for p, t in named))
            wrong += [f"{number}: {p}::{t}" for p, t in named if t not in _tests_in(p)]
        elif state not in {"not applicable", "**open**"} or named or len(where) < 4:
            wrong.append(number)
    assert wrong == []
    told = re.search(
        r"(\d+) requirements (\d+) are met, (\d+) are not applicable and (\d+) are open",
        " ".join(tree.text(TABLE).split()),
    )
    assert told is not None
    counted = (states["met"], states["not applicable"], states["**open**"])
    assert tuple(map(int, told.groups())) == (sum(counted), *counted)


def test_the_security_page_says_what_the_table_leans_on() -> None:
    page = tree.text(Path("docs/SECURITY.md"))
    pieces = [part.partition("\n") for part in re.split(r"^## ", page, flags=re.MULTILINE)[1:]]
    parts = {name.strip(): words for name, _end, words in pieces}
    assert [name for name in SECTIONS if len(parts.get(name, "").split()) < 30] == []
    anchors = {name.lower().replace(" ", "-") for name in parts}
    linked = set(re.findall(r"SECURITY\.md#([\w-]+)", tree.text(TABLE)))
    assert linked <= anchors


def test_how_long_each_class_of_data_is_kept_is_that_of_the_code_and_has_a_test() -> None:
    page = tree.text(Path("docs/SECURITY.md"))
    part = page.split("How long each is kept")[1].split("Pages are not kept")[0]
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in part.splitlines()
        if line.startswith("| ")
    ][2:]
    told = {what: kept for what, _kind, kept, _test in rows}
    # No row but those without a limit lacks a test that would fail without what it says.
    without = [what for what, _kind, _kept, test in rows if test.startswith("none: ")]
    assert without == ["spreadsheets that were sent", "lines of the log"]
    for what, _kind, _kept, test in rows:
        if what not in without:
            path, _colons, name = test.strip("`").partition("::")
            assert name in _tests_in(path), what
    by_start = {what.partition(":")[0]: kept for what, kept in told.items()}
    for what, figures in {
        "hashes of passwords and PINs": (f"{FIRST_FOR.days} days", f"{ONCE_FOR.days * 24} hours"),
        "sessions": (f"{LONGEST.days * 24} hours", f"{KEPT_FOR.days} days"),
        "browsers and addresses known for a person": (
            f"{DEVICE_KNOWN_FOR.days} days",
            f"for {ADDRESS_KNOWN_FOR.days} of them",
        ),
        "failed attempts, by digest": (f"{FORGOTTEN_AFTER.days} days",),
        "tokens of programs": (f"{LONGEST_LIFE.days} days",),
        "messages that a collector refused": (f"{KEPT_DAYS} days",),
    }.items():
        assert [one for one in figures if one not in by_start[what]] == []
    shown = re.search(r"SENT_SHOWN_MS = (\d+) \* 60_000", tree.text(QUEUE))
    assert shown is not None
    assert f"{shown[1]} minutes more" in by_start["what a tablet keeps"]
    assert set(re.findall(r"secrets|names|the plant's figures|all of the above", part)) == {
        *("secrets", "names", "the plant's figures", "all of the above")
    }


def test_no_code_and_no_template_is_made_of_text() -> None:
    found = []
    for path in tree.files(".py"):
        if path.parts[0] != "tracelog":
            continue
        for node in ast.walk(tree.syntax(path)):
            if isinstance(node, ast.Call):
                # Only a bare `compile` makes code; `re.compile` makes a pattern.
                bare = node.func.id if isinstance(node.func, ast.Name) else ""
                last = node.func.attr if isinstance(node.func, ast.Attribute) else bare
                shell = any(one.arg == "shell" for one in node.keywords)
                if bare in RUNS_TEXT or last in RUNS_TEXT - {"compile"} or shell:
                    found.append(f"{path}:{node.lineno} {last}")
            names = [one.name for one in getattr(node, "names", ()) if isinstance(one, ast.alias)]
            modules = {*names, str(getattr(node, "module", ""))}
            if isinstance(node, ast.Import | ast.ImportFrom) and modules & READS_ANYTHING:
                found.append(f"{path}:{node.lineno} {modules}")
    assert found == []


def test_fields_for_passwords_hide_what_is_typed_and_let_managers_fill_them() -> None:
    fields = [
        call
        for path in tree.files(".html")
        if path.parts[0] == "templates"
        for call in re.findall(
            r'field\(\w+, "(?:secret|present)".*?\)\s*\}\}', tree.text(path), re.S
        )
    ]
    assert len(fields) >= 5
    for call in fields:
        assert 'type="password"' in call
        assert re.search(r'autocomplete="(?:new|current)-password"', call), call
    assert not [path for path in tree.files(".html", ".js") if "onpaste" in tree.text(path)]
