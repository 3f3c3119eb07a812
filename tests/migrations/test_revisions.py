"""The tables that the migrations make are those of the models, upwards and downwards."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, inspect, text

from tests.support.databases import open_engine
from tests.support.plants import import_plant
from tracelog.db import downgrade, is_current, upgrade
from tracelog.paths import migrations_folder
from tracelog.schema import is_compared, metadata
from tracelog.strokes.partitions import is_part

VERSION_TABLE = "alembic_version"


def scripts() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()))
    return ScriptDirectory.from_config(config)


REVISIONS = [script.revision for script in reversed(list(scripts().walk_revisions()))]


@pytest.fixture
def empty(empty_database_url: str) -> Iterator[Engine]:
    engine = open_engine(empty_database_url)
    yield engine
    engine.dispose()


def plainly(described: object) -> str:
    """A description that is equal for equal constraints; conditions are objects of their own."""
    return json.dumps(described, default=str, sort_keys=True)


def schema_of(engine: Engine) -> dict[str, Any]:
    """Everything the database knows of its own tables, in an order of its own making."""
    look = inspect(engine)
    return {
        table: {
            "columns": [
                (column["name"], str(column["type"]), column["nullable"], column["default"])
                for column in look.get_columns(table)
            ],
            "key": look.get_pk_constraint(table),
            "references": sorted(map(plainly, look.get_foreign_keys(table))),
            "unique": sorted(map(plainly, look.get_unique_constraints(table))),
            "checks": sorted(map(plainly, look.get_check_constraints(table))),
            "indexes": sorted(map(plainly, look.get_indexes(table))),
        }
        for table in look.get_table_names()
        if table != VERSION_TABLE and not is_part(table)
    }


def test_there_is_one_line_of_revisions() -> None:
    assert len(scripts().get_heads()) == 1


def test_revision_files_are_named_by_day_and_purpose() -> None:
    for path in (migrations_folder() / "versions").glob("*.py"):
        year, month, day, purpose = path.stem.split("_", 3)
        assert f"{year}{month}{day}".isdigit(), path.name
        assert purpose, path.name


def test_up_down_and_up_again_gives_the_same_tables(empty: Engine) -> None:
    upgrade(empty)
    first = schema_of(empty)
    downgrade(empty, "base")
    assert schema_of(empty) == {}
    assert not is_current(empty)
    upgrade(empty)
    assert schema_of(empty) == first
    assert is_current(empty)


def test_every_revision_can_be_taken_back_by_itself(empty: Engine) -> None:
    for before, revision in zip(["base", *REVISIONS], REVISIONS, strict=False):
        schema = schema_of(empty)
        upgrade(empty, revision)
        downgrade(empty, before)
        assert schema_of(empty) == schema, f"{revision} leaves something behind"
        upgrade(empty, revision)


def test_the_models_are_what_the_migrations_make(engine: Engine) -> None:
    with engine.connect() as connection:
        context = MigrationContext.configure(
            connection,
            opts={
                "compare_type": True,
                "target_metadata": metadata,
                "include_name": is_compared,
            },
        )
        differences = compare_metadata(context, metadata)
    assert differences == []


def test_checks_of_the_models_are_in_the_database(engine: Engine) -> None:
    # Autogeneration does not see these, so a forgotten one would go unnoticed.
    look = inspect(engine)
    for table in metadata.sorted_tables:
        declared = {
            str(constraint.name)
            for constraint in table.constraints
            if constraint.__visit_name__ in {"check_constraint", "table_or_column_check_constraint"}
        }
        made = {str(check["name"]) for check in look.get_check_constraints(table.name)}
        assert declared <= made, f"{table.name} lacks {declared - made}"


def test_every_constraint_has_its_conventional_name() -> None:
    for table in metadata.sorted_tables:
        for constraint in table.constraints:
            assert constraint.name, f"a constraint of {table.name} has no name"
            assert str(constraint.name).split("_")[0] in {"pk", "fk", "uq", "ck"}
        for index in table.indexes:
            assert str(index.name).startswith(("ix_", "uq_")), index.name


def test_a_failed_migration_leaves_the_database_as_it_was(
    empty: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    upgrade(empty)
    every = {table.name for table in metadata.sorted_tables}
    for revision in reversed(["base", *REVISIONS[:-1]]):
        downgrade(empty, revision)
        before = schema_of(empty)
        if every - set(before):
            break
    with empty.begin() as connection:
        # Stands in the way of a table that one of the next revisions is about to make.
        last = [table.name for table in metadata.sorted_tables if table.name not in before][-1]
        connection.execute(text(f"CREATE TABLE {last} (number INTEGER)"))
    standing = schema_of(empty)
    with pytest.raises(Exception, match="already exists"):
        upgrade(empty)
    assert schema_of(empty) == standing


def counts(engine: Engine, tables: set[str]) -> dict[str, int]:
    """How many rows those tables hold."""
    with engine.connect() as connection:
        return {
            table: connection.scalar(text(f'SELECT count(*) FROM "{table}"')) or 0
            for table in tables
        }


@pytest.mark.small_plant
def test_the_last_revision_keeps_every_row_that_was_there_before_it(own_engine: Engine) -> None:
    before = REVISIONS[-2] if len(REVISIONS) > 1 else "base"
    full = schema_of(own_engine)
    downgrade(own_engine, before)
    kept = counts(own_engine, set(schema_of(own_engine)))
    assert (before == "base") == (not kept)
    upgrade(own_engine)
    assert schema_of(own_engine) == full
    assert counts(own_engine, set(kept)) == kept


@pytest.mark.small_plant
def test_a_full_database_can_be_taken_back_and_filled_again(
    own_engine: Engine, small_plant: Path
) -> None:
    facts = {"readings", "services", "tool_fits", "lines", "machines"}
    counted = counts(own_engine, facts)
    assert all(counted.values())
    downgrade(own_engine, "base")
    assert schema_of(own_engine) == {}
    upgrade(own_engine)
    import_plant(own_engine, small_plant)
    assert counts(own_engine, facts) == counted
