"""Where templates, migrations and reference data lie, in a checkout and in an installed wheel."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def _folder(name: str) -> Path:
    installed = _PACKAGE / f"_{name}"
    return installed if installed.is_dir() else _PACKAGE.parent / name


def templates_folder() -> Path:
    """Folder of the page templates, one sub-folder per feature."""
    return _folder("templates")


def migrations_folder() -> Path:
    """Folder of the Alembic environment and its revisions."""
    return _folder("migrations")


def shared_folder() -> Path:
    """Folder of the reference data: defect vocabulary, tool types, published check values."""
    return _folder("shared")


def translations_folder() -> Path:
    """Folder of the translations, one sub-folder per language; inside the package everywhere."""
    return _PACKAGE / "translations"
