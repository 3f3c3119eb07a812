"""The sentences that people read, gathered from code, templates and reference data.

`python -m tests.support.messages` brings every catalogue up to date: new sentences come in blank,
translations stay, what nobody says any more is dropped. Sentences stand sorted and without line
numbers, so that a change of the code changes only the lines that it is about.
"""

import re
import sys
import tomllib
from collections.abc import Iterator
from fnmatch import fnmatchcase
from importlib import import_module
from io import BytesIO
from pathlib import Path
from types import FunctionType
from typing import Any

from babel.messages import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po

from tests.support import tree
from tracelog.catalogues import TRANSLATED, catalogue_file
from tracelog.paths import shared_folder, templates_folder
from tracelog.people.permissions import EVERY_PERMISSION, ROLES, SCOPES
from tracelog.people.session_rules import DEVICES, WAYS
from tracelog.stats.run_rules import nelson, western_electric
from tracelog.web.application import BLUEPRINTS
from tracelog.web.shapes import call_of

KEYWORDS = {"_": None, "later": None}
# These speak on a terminal only, and commands speak English.
ON_A_TERMINAL = (
    "cli.py",
    "config.py",
    "terminal.py",
    "*commands.py",
    "*_command.py",
    "keeping/*.py",
    "intake/mqtt_*.py",
    "intake/opcua_*.py",
    "people/provider/settings.py",
    "reference.py",
    "reference_file.py",
    "web/demo.py",
    "web/serving.py",
)
# A field of a form in a template: field(form, "seen_at", _("Seen at")).
FIELD = re.compile(r'\b(?:field|text_area|select|choices|check)\([\w.]+, "([a-z_]+)"')
# But for what a page says as well.
ON_A_PAGE_TOO = (
    "keeping/erasing/actions.py",
    "keeping/erasing/queries.py",
    "keeping/erasing/views.py",
    "service/plan_commands.py",
)
# What of the reference data a page shows: file, key of the table, and its fields.
SHOWN = (
    ("cautions.toml", "caution", ("text",)),
    ("change_kinds.toml", "change_kind", ("kind", "name", "examples")),
    ("characteristics.toml", "characteristic", ("characteristic", "name", "note")),
    ("checks_routine.toml", "check", ("name",)),
    ("defects.toml", "severity", ("word", "means")),
    ("defects.toml", "stage", ("name",)),
    ("defects.toml", "origin", ("word", "means")),
    ("defects.toml", "defect", ("name", "looks", "note")),
    ("defects.toml", "causes", ("cause", "check", "remedy")),
    ("dome_digits.toml", "confusion", ("name",)),
    ("service_levels.toml", "level", ("service", "crew", "work")),
    ("station_parts.toml", "station_part", ("station", "part", "notes")),
    ("stations.toml", "station", ("station", "name")),
    ("tool_types.toml", "tool_type", ("tool_type", "name", "source", "work_done")),
)
# Words that the code keeps in closed lists and pages show: module and name.
WORDS: tuple[tuple[str, str], ...] = (
    ("tracelog.cases.facts", "StepKind"),
    ("tracelog.cases.queries", "State"),
    ("tracelog.trace.holds.facts", "StepKind"),
    ("tracelog.defects.selecting", "EntryKind"),
    ("tracelog.people.trail.rules", "DOORS"),
    ("tracelog.plant.calendar_rules", "PeriodKind"),
    ("tracelog.plant.facts", "PalletStatus"),
    ("tracelog.plant.facts", "RemovalReason"),
    ("tracelog.plant.tool_facts", "ToolWorkKind"),
    ("tracelog.service.planning_facts", "WEEK"),
    ("tracelog.strokes.facts", "CounterEvent"),
    ("tracelog.trends.rules", "Evidence"),
    ("tracelog.trends.signals.rules", "Decision"),
)


def extracted() -> Catalog:
    """Every sentence that a page or a call can show, without translations."""
    found = Catalog(charset="utf-8")
    for sentence in _in_code():
        found.add(sentence, flags=_flags(sentence, "python-format"))
    for sentence in _in_templates():
        found.add(sentence, flags=_flags(sentence, "python-format"))
    for sentence in (*_in_reference(), *_in_words(), *_names_of_fields(), *_about_calls()):
        if sentence not in found:
            found.add(sentence)
    return found


def _flags(sentence: str, flag: str) -> tuple[str, ...]:
    return (flag,) if "%(" in sentence else ()


def _in_code() -> Iterator[str]:
    package = tree.ROOT / "tracelog"
    for path in sorted(package.rglob("*.py")):
        beneath = path.relative_to(package).as_posix()
        if beneath in ON_A_PAGE_TOO or not any(
            fnmatchcase(beneath, pattern) for pattern in ON_A_TERMINAL
        ):
            yield from _of_file("python", path, {})


def _in_templates() -> Iterator[str]:
    options = {"silent": "false", "trimmed": "true", "newstyle_gettext": "true"}
    for path in sorted(templates_folder().rglob("*.html")):
        yield from _of_file("jinja2.ext:babel_extract", path, options)


def _of_file(method: str, path: Path, options: dict[str, str]) -> Iterator[str]:
    with path.open("rb") as file:
        for _line, message, _comments, _context in extract(
            method, file, keywords=KEYWORDS, options=options
        ):
            if not isinstance(message, str):
                raise TypeError(f"{path}: {message!r} is no single sentence")
            yield message


def _in_reference() -> Iterator[str]:
    for name, key, wanted in SHOWN:
        with (shared_folder() / name).open("rb") as file:
            tables = list(_tables(tomllib.load(file), key))
        if not tables:
            raise LookupError(f"{name} has no [[{key}]]")
        for table in tables:
            yield from (table[field].strip() for field in wanted if table.get(field))


def _tables(value: Any, key: str) -> Iterator[dict[str, Any]]:
    """The tables of an array under `key`, however deep."""
    if isinstance(value, list):
        for one in value:
            yield from _tables(one, key)
    elif isinstance(value, dict):
        for name, inner in value.items():
            if name == key and isinstance(inner, list):
                yield from inner
            yield from _tables(inner, key)


def _in_words() -> Iterator[str]:
    yield from sorted(EVERY_PERMISSION)
    yield from ROLES
    yield from (*SCOPES, *DEVICES, *WAYS)
    for module, name in WORDS:
        for word in getattr(import_module(module), name):
            yield str(word)
    for rule in (*nelson([0.0]), *western_electric([0.0])):
        yield from (rule.name, rule.pattern)


def _names_of_fields() -> Iterator[str]:
    """The names of fields as the summary of a form's faults says them: "Seen at"."""
    for path in sorted(templates_folder().rglob("*.html")):
        for name in FIELD.findall(path.read_text("utf-8")):
            yield name.replace("_", " ").capitalize()


def _about_calls() -> Iterator[str]:
    for place in BLUEPRINTS:
        module = import_module(place.split(":")[0])
        for view in vars(module).values():
            call = call_of(view) if isinstance(view, FunctionType) else None
            if call is not None:
                yield call.about


def translated(language: str) -> Catalog:
    """The catalogue of one language as it lies in the project."""
    path = catalogue_file(language)
    if not path.exists():
        return Catalog(locale=language, charset="utf-8")
    with path.open("rb") as file:
        return read_po(file, locale=language)


def brought_up_to_date(old: Catalog, now: Catalog) -> bytes:
    """The text of a catalogue with the sentences of `now` and the translations of `old`."""
    made = Catalog(locale=old.locale, charset="utf-8")
    for message in now:
        if message.id:
            kept = old.get(message.id)
            made.add(message.id, kept.string if kept else "", flags=message.flags)
    written = BytesIO()
    write_po(written, made, width=0, no_location=True, omit_header=True, sort_output=True)
    return _header(str(old.locale)).encode() + written.getvalue()


def _header(language: str) -> str:
    return (
        'msgid ""\nmsgstr ""\n'
        '"MIME-Version: 1.0\\n"\n'
        '"Content-Type: text/plain; charset=utf-8\\n"\n'
        '"Content-Transfer-Encoding: 8bit\\n"\n'
        f'"Language: {language}\\n"\n\n'
    )


def main() -> int:
    """Bring every catalogue up to date and say what is still to be translated."""
    now = extracted()
    for language in TRANSLATED:
        path = catalogue_file(language)
        text = brought_up_to_date(translated(language), now)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text)
        blank = sum(1 for one in read_po(BytesIO(text)) if one.id and not one.string)
        print(f"{language}: {len(now)} sentences, {blank} not translated")
    return 0


if __name__ == "__main__":
    sys.exit(main())
