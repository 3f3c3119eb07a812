"""The project's own files, as tests about the whole project read them."""

import ast
import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
NOT_OURS = {".git", "node_modules", "dist", "build", "__pycache__", "test-results"}


@cache
def files(*suffixes: str) -> tuple[Path, ...]:
    """Every kept file, as a path inside the project; all of them where no suffix is given."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        encoding="utf-8",
    )
    if listed.returncode == 0:
        found = [Path(name) for name in listed.stdout.split("\0") if name]
    else:  # an unpacked archive rather than a clone
        found = [path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file()]
    kept = (path for path in found if _is_ours(path) and (ROOT / path).is_file())
    return tuple(sorted(path for path in kept if not suffixes or path.suffix in suffixes))


def _is_ours(path: Path) -> bool:
    return not NOT_OURS & set(path.parts) and not path.parts[0].startswith(".venv")


def text(path: Path) -> str:
    """What a kept file says."""
    return (ROOT / path).read_text(encoding="utf-8")


@cache
def syntax(path: Path) -> ast.Module:
    """The syntax tree of a Python file."""
    return ast.parse(text(path), filename=str(path))
