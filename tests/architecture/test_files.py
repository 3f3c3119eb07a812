"""Every file can be read in one sitting, and says nothing that holds on one machine only."""

import re
from pathlib import Path

import pytest

from tests.support import tree

READ = (".py", ".html", ".js", ".css", ".md")
LONGEST_LINES = 450
# Split, so that this file does not break its own rule.
ONE_MACHINE_ONLY = [
    r"\b(?:py" + r"pi\.org|pythonhosted\.org|npm" + r"js\.(?:org|com))",
    r"\bdeb\.debian\." + "org",
    r"(?<![\w.>])/(?:home|root|work|farm|Users)/\w",
    r"(?<![\w.>])/tmp/" + r"\w",
    r"\bfile://" + r"/",
]
SECRETS = r"-----BEGIN [A-Z ]*PRIVATE" + " KEY-----"


def test_files_can_be_read_in_one_sitting() -> None:
    # A revision that is released is never touched again, so nobody would cut it.
    read = [path for path in tree.files(*READ) if path.parent != Path("migrations/versions")]
    lengths = {path: tree.text(path).count("\n") for path in read}
    long = {str(path): lines for path, lines in lengths.items() if lines > LONGEST_LINES}
    assert not long, f"over {LONGEST_LINES} lines; where is the seam to cut at? {long}"


@pytest.mark.parametrize("pattern", [*ONE_MACHINE_ONLY, SECRETS])
def test_no_file_names_what_only_one_machine_has(pattern: str) -> None:
    found = []
    for path in tree.files():
        try:
            lines = tree.text(path).splitlines()
        except UnicodeDecodeError:
            continue
        found += [
            f"{path}:{number}: {line.strip()[:120]}"
            for number, line in enumerate(lines, start=1)
            if re.search(pattern, line)
        ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize("name", ["utils", "helpers", "common", "manager", "base", "misc"])
def test_no_module_is_a_drawer(name: str) -> None:
    named = [path for path in tree.files(".py") if Path(path).stem == name or name in path.parts]
    assert not named, f"name {named} after what is in it"
