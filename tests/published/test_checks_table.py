"""The page of published checks says what the checks find, and leaves no method out."""

import tomllib

from tests.published.checks_table import PAGE, page, run_checks
from tests.published.figures import FOLDER


def test_the_page_is_what_the_checks_find() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "out of date: run make checks-table"


def test_every_method_and_every_figure_has_its_place() -> None:
    index = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
    written, found = PAGE.read_text(encoding="utf-8"), run_checks()
    assert sorted(found) == [check["id"] for check in index["check"]]
    for check in index["check"]:
        assert f"| {check['id']} | {check['method']} | {check['source']} |" in written
        quantities = [item["quantity"] for item in check["expected"]]
        assert written.count(f"\n| {check['id']} {check['method']} |") == len(quantities)
        assert sorted(quantity for quantity, _value in found[check["id"]]) == sorted(quantities)
