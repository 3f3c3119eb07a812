"""The demo: a simulated plant in a database of its own, and people to sign in as.

A demo's database says so itself, in its audit trail, so that it is neither shown to the network
by accident nor filled over a plant's own records.
"""

import os
import secrets
import tempfile
import tomllib
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Engine, select

from seed_demo.folder import write_folder
from seed_demo.simulate import simulate
from seed_demo.sizes import PlantSize
from tracelog import audit
from tracelog.audit import Actor
from tracelog.db import downgrade, is_current, reading, upgrade, writing
from tracelog.errors import NotFound, TracelogError
from tracelog.instants import now
from tracelog.intake.folder_import import import_folder
from tracelog.intake.importing import Importing
from tracelog.language import _
from tracelog.people import actions, queries
from tracelog.people.permissions import ROLES
from tracelog.people.secrets import PIN_DIGITS, PIN_ROLE, check_secret
from tracelog.plant.models import Plant
from tracelog.trends.signals.watching import bring_up_to_date
from tracelog.web.demo_state import DEMO, DemoState, demo_state

SIGN_INS_FILE = "sign-ins.toml"
_ACTOR = Actor("tracelog demo", "administrator", "command")
_WORDS = ("coil", "cup", "dome", "neck", "oven", "pallet", "punch", "rim", "ring", "roller", "trim")
Progress = Callable[[str, float], None]


def make_room(engine: Engine, fresh: bool) -> bool:
    """Make the tables, and empty them where an earlier demo was not finished or is to go.

    Returns:
        Whether a finished demo is there already.

    Raises:
        TracelogError: the database holds a plant's own records.
    """
    if not is_current(engine):
        upgrade(engine)
    with reading(engine) as session:
        state = demo_state(session)
        is_used = session.execute(select(Plant.id).limit(1)).first() is not None
        is_used = is_used or not queries.is_empty(session)
    if state is DemoState.NONE and is_used:
        raise TracelogError(
            _(
                "this database holds a plant of its own and is left alone;"
                " set TRACELOG_DATA_DIR to an empty folder for the demo"
            )
        )
    if state is DemoState.READY and not fresh:
        return True
    if state is not DemoState.NONE:
        downgrade(engine, "base")
        upgrade(engine)
    return False


def fill(engine: Engine, size: PlantSize, seed: int, progress: Progress) -> list[str]:
    """Simulate a plant and import it through the same door as any plant's own folder.

    Args:
        engine: of an empty database with tables.
        size: of the plant.
        seed: the same seed gives the same plant.
        progress: told what is being done, and its share of the whole.

    Returns:
        A sentence about each fault that was planted.

    Raises:
        TracelogError: the folder was refused, which is a fault of the simulator or the importer.
    """
    with writing(engine) as session:
        audit.append(session, _ACTOR, now(), DemoState.BEGUN.value, DEMO)
    progress(_("Running the plant"), 0.0)
    plant = simulate(size, seed)
    with tempfile.TemporaryDirectory(prefix="tracelog-demo-") as name:
        folder = Path(name)
        progress(_("Writing its files"), 0.1)
        write_folder(plant, folder)
        sizes = {path.name: path.stat().st_size for path in folder.iterdir()}
        read, total = 0, max(sum(sizes.values()), 1)

        def imported(file: str, more_bytes: int) -> None:
            nonlocal read
            read += more_bytes
            progress(_("Importing %(file)s", file=file), 0.25 + 0.7 * min(read / total, 1.0))

        with writing(engine) as session:
            report = import_folder(Importing(session, folder, _ACTOR, now(), progress=imported))
            if report.faults:
                raise TracelogError("; ".join(list(report.sentences())[:5]))
            audit.append(session, _ACTOR, now(), DemoState.READY.value, DEMO)
    progress(_("Counting what is where"), 0.96)
    with engine.connect() as connection, connection.begin():
        # Tells the query planner how large the tables have become.
        connection.exec_driver_sql("ANALYZE")
    progress(_("Looking for signals"), 0.98)
    bring_up_to_date(engine, now())
    progress(_("Ready"), 1.0)
    return [f"{fault.kind} {fault.name}: {fault.sentence}" for fault in plant.faults]


def sign_ins(engine: Engine, folder: Path) -> dict[str, str]:
    """Name and secret of one account per role; made once and kept beside the demo.

    Args:
        engine: the demo's database.
        folder: where the secrets are kept, readable for this user only.
    """
    path = folder / SIGN_INS_FILE
    kept = _read(path)
    with reading(engine) as session:
        words = queries.words_to_avoid(session)
    found = {role: kept.get(role) or _new_secret(role, words) for role in ROLES}
    with writing(engine) as session:
        for role, secret in found.items():
            try:
                account = queries.account_named(session, role)
            except NotFound:
                actions.create_account(
                    session, role, role.capitalize(), role, secret, _ACTOR, now()
                )
                continue
            if role not in kept:
                actions.change_secret(session, account.id, secret, _ACTOR, now())
    lines = [f'{role} = "{secret}"\n' for role, secret in found.items()]
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.writelines(["# Sign-ins of the demo, for this machine only.\n", *lines])
    return found


def _read(path: Path) -> dict[str, str]:
    try:
        return {k: str(v) for k, v in tomllib.loads(path.read_text(encoding="utf-8")).items()}
    except (OSError, tomllib.TOMLDecodeError):
        return {}


def _new_secret(role: str, words: tuple[str, ...]) -> str:
    while True:
        if role == PIN_ROLE:
            secret = f"{secrets.randbelow(10**PIN_DIGITS):0{PIN_DIGITS}d}"
        else:
            chosen = [secrets.choice(_WORDS) for _place in range(3)]
            secret = "-".join([*chosen, str(secrets.randbelow(90) + 10)])
        try:
            check_secret(secret, role, role, words)
        except TracelogError:
            continue
        return secret
