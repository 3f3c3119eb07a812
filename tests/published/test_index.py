"""The index of published figures is complete and every check has its test."""

import re
import tomllib
from pathlib import Path

from tests.published.figures import FOLDER


def test_every_published_check_has_a_test_and_every_file_is_listed() -> None:
    index = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
    ids = [check["id"] for check in index["check"]]
    assert ids == [f"A{number:02d}" for number in range(1, 44)]
    tests = "".join(p.read_text(encoding="utf-8") for p in Path(__file__).parent.glob("test_*.py"))
    assert sorted(re.findall(r"def test_(a\d\d)_", tests)) == [i.lower() for i in ids]
    assert {c["file"] for c in index["check"] if "file" in c} == {
        path.name for path in FOLDER.glob("*.csv")
    }


def test_every_check_names_its_source_and_how_it_was_confirmed() -> None:
    index = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
    for check in index["check"]:
        assert check["method"]
        assert check["source"]
        assert re.search("search|memory|recomputed|constructed", check["confirmed"])
        assert check["expected"]
