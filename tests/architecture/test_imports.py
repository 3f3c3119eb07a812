"""What a program loads at its start is only what it needs."""

import subprocess
import sys

import pytest

HEAVY = ("flask", "sqlalchemy", "pandas", "plotly", "scipy.stats", "matplotlib")


@pytest.mark.parametrize(
    ("module", "allowed"),
    [
        ("tracelog", ()),
        ("tracelog.stats", ("scipy.stats",)),
        ("tracelog.plant.rules", ()),
        ("tracelog.facts", ()),
        ("tracelog.cli", ()),
    ],
)
def test_a_start_loads_nothing_heavy(module: str, allowed: tuple[str, ...]) -> None:
    program = f"import sys, {module}\nprint(*[m for m in {HEAVY!r} if m in sys.modules])"
    answer = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert set(answer.stdout.split()) <= set(allowed)


def test_help_on_all_commands_loads_none_of_them() -> None:
    program = (
        "import sys\nfrom tracelog.cli import COMMANDS, main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "loaded = {place.split(':')[0] for place in COMMANDS.values()}\n"
        f"print('loaded', *[m for m in {{*{HEAVY!r}}} | loaded if m in sys.modules])"
    )
    answer = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert "Bring the database's tables to this version" in answer.stdout
    assert answer.stdout.splitlines()[-1] == "loaded"


def test_listing_the_commands_loads_no_charts_and_no_frames() -> None:
    program = (
        "import sys, importlib\nfrom tracelog.cli import COMMANDS\n"
        "for place in COMMANDS.values(): importlib.import_module(place.split(':')[0])\n"
        f"print(*[m for m in {HEAVY!r} if m in sys.modules])"
    )
    answer = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert set(answer.stdout.split()) <= {"flask", "sqlalchemy"}
