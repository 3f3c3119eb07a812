"""Two plants and a centre, three real servers: what plants write is read at the centre."""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import Engine, text

from tests.group.two_plants import BEGINS_AT, HOURS, fill
from tests.support.clusters import Cluster, cluster, eventually
from tracelog.audit import Actor
from tracelog.cli import tracelog
from tracelog.db import make_engine, writing
from tracelog.group.asking import Told, ask, forget
from tracelog.group.link_actions import PUBLICATION, publish
from tracelog.group.queries import PlantNow, plant_now, plant_rate
from tracelog.group.rules import KEPT_AT_HOME, GroupPlant, read_group
from tracelog.people.actions import create_account

ENDS_AT = BEGINS_AT + timedelta(hours=HOURS + 1)


@dataclass
class Group:
    """Two plants, their copies at the centre, and what the centre's commands need."""

    north: Cluster
    south: Cluster
    centre: Cluster
    engines: dict[str, Engine]
    plants: tuple[GroupPlant, ...]
    environment: dict[str, str]

    def command(self, *words: str, **more: str) -> Result:
        return CliRunner().invoke(tracelog, words, env={**self.environment, **more})

    def now(self) -> list[Told[PlantNow]]:
        return ask(self.plants, plant_now(ENDS_AT))

    def splits(self) -> list[int | None]:
        asked = plant_rate(("wall-split",), BEGINS_AT, ENDS_AT, ENDS_AT)
        return [one.answer and one.answer.counted for one in ask(self.plants, asked)]


def source(plant: Cluster) -> str:
    return (
        f"host=127.0.0.1 port={plant.port} dbname=plant user=tracelog password={plant.password}"
        " connect_timeout=2"
    )


@pytest.fixture(scope="module")
def group(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Group]:
    folder = tmp_path_factory.mktemp("group")
    with ExitStack() as stack:
        north, south, centre = (stack.enter_context(cluster()) for _ in range(3))
        engines = {}
        for name, plant, splits in (("north", north, 12), ("south", south, 30)):
            engines[name] = make_engine(plant.with_tables("plant"))
            fill(engines[name], folder / name, name.title(), splits)
            with writing(engines[name]) as session:
                by = Actor("tests", "administrator", "command")
                create_account(session, "ada", "Ada", "administrator", "secret words", by, ENDS_AT)
            centre.say(f"CREATE DATABASE {name}")
        file = folder / "group.toml"
        file.write_text(
            "\n".join(
                f'[[plant]]\nname = "{name}"\ndatabase_url = "{centre.url(name)}"'
                for name in engines
            ),
            encoding="utf-8",
        )
        environment = {
            "TRACELOG_GROUP": str(file),
            "TRACELOG_DATA_DIR": str(folder / "data"),
            "TRACELOG_DATABASE_URL": f"sqlite:///{folder / 'own.db'}",
        }
        plants = read_group(file.read_text(encoding="utf-8"))
        made = Group(north, south, centre, engines, plants, environment)
        for name, plant in (("north", north), ("south", south)):
            published = made.command("group", "publish", TRACELOG_DATABASE_URL=plant.url("plant"))
            assert published.exit_code == 0, published.output
            joined = made.command("group", "subscribe", name, "--from", source(plant))
            assert joined.exit_code == 0, joined.output
        eventually(lambda: made.splits() == [12, 30], "both plants are copied")
        yield made
        forget()
        for engine in engines.values():
            engine.dispose()


def test_plants_with_the_same_numbers_stay_apart(group: Group) -> None:
    north, south = (one.answer for one in group.now())
    assert north is not None
    assert south is not None
    assert (north.plant.name, south.plant.name) == ("North", "South")
    assert [line.line for line in north.lines] == [line.line for line in south.lines] == [3]
    assert north.machines == south.machines == 2
    assert {one.freshness.link for one in (north, south)} == {"connected"}
    for name, engine in group.engines.items():
        own = ask([GroupPlant(name, engine.url.render_as_string(False))], plant_now(ENDS_AT))
        at_home = own[0].answer
        at_centre = next(one.answer for one in group.now() if one.plant.name == name)
        assert at_home is not None
        assert at_centre is not None
        assert at_home.lines == at_centre.lines


def test_accounts_tokens_and_keys_stay_at_home(group: Group) -> None:
    published = (
        "SELECT string_agg(tablename, ' ') FROM pg_publication_tables"
        f" WHERE pubname = '{PUBLICATION}'"
    )
    tables = set(group.north.say(published, "plant").split())
    assert tables & KEPT_AT_HOME == set()
    assert {"entries", "current_entries", "stroke_hours", "signals", "plants"} <= tables
    assert group.north.say("SELECT count(*) FROM accounts", "plant") == 1
    assert group.centre.say("SELECT count(*) FROM accounts", "north") == 0
    secret = (
        "SELECT count(*) FROM pg_publication_tables p, unnest(p.attnames) AS name"
        " WHERE name ~ 'secret|token|password|(^|_)pin(_|$)'"
    )
    assert group.north.say(secret, "plant") == 0


def test_one_plant_away_leaves_its_last_state_and_the_others_and_comes_back(group: Group) -> None:
    group.south.stop()
    try:
        eventually(
            lambda: (
                [one.answer and one.answer.freshness.link for one in group.now()]
                == ["connected", "cut"]
            ),
            "the outage is seen",
        )
        assert group.splits() == [12, 30]
        group.north.say("UPDATE plants SET name = 'North again'", "plant")
        eventually(
            lambda: (found := group.now()[0].answer) and found.plant.name == "North again",
            "the other plant's news arrive meanwhile",
        )
    finally:
        group.south.start()
    group.south.say("UPDATE plants SET name = 'South again'", "plant")
    eventually(
        lambda: (found := group.now()[1].answer) and found.plant.name == "South again",
        "the plant is back",
    )
    assert group.splits() == [12, 30]


def test_a_centre_without_one_of_its_databases_still_answers_for_the_other(group: Group) -> None:
    gone = GroupPlant("gone", group.centre.url("never_made"))
    north, away = ask([group.plants[0], gone], plant_now(ENDS_AT))
    assert north.answer is not None
    assert away.answer is None
    assert "its database does not answer" in away.why
    assert group.centre.password not in away.why


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("subscribe", "west", "--from", "x"), "the group has no plant west"),
        (("subscribe", "north", "--from", "host=127.0.0.1 port=1"), "cannot be reached by --from"),
        (("unsubscribe", "west"), "the group has no plant west"),
    ],
)
def test_what_cannot_be_joined_is_told_in_a_sentence(
    group: Group, words: tuple[str, ...], sentence: str
) -> None:
    told = group.command("group", *words)
    assert told.exit_code == 1
    assert sentence in told.output


def test_a_database_with_a_plant_of_its_own_is_not_overwritten(group: Group) -> None:
    with group.engines["north"].connect() as connection:
        before = connection.execute(text("SELECT count(*) FROM entries")).scalar_one()
    assert before == 12
    own = group.environment | {"TRACELOG_GROUP": str(_file_of(group))}
    told = CliRunner().invoke(
        tracelog, ["group", "subscribe", "south", "--from", source(group.north)], env=own
    )
    assert told.exit_code == 1
    assert "holds a plant already" in told.output


def _file_of(group: Group) -> Path:
    """A group's file that names, by mistake, a plant's own database."""
    path = Path(group.environment["TRACELOG_GROUP"]).with_name("wrong.toml")
    url = group.south.url("plant")
    path.write_text(f'[[plant]]\nname = "south"\ndatabase_url = "{url}"\n', encoding="utf-8")
    return path


def test_publishing_again_offers_the_same_tables(group: Group) -> None:
    assert publish(group.engines["north"]) == publish(group.engines["north"])
