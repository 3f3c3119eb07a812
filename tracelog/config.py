"""Settings: from the environment, then an optional TOML file, then defaults that work on a desk."""

import os
import re
import secrets
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path

import platformdirs

from tracelog.errors import TracelogError
from tracelog.language import _

# Files of the data folder: the secret key, and those that it took the place of.
KEY, OLDER_KEYS = "secret-key", "secret-key-older"
_ACCOUNT_IN_ADDRESS = re.compile(r"//[^/@]*@")
_OPERATION = ("backup_folder", "backup_at", "backup_keep", "log_level", "log_format")


@dataclass(frozen=True)
class Settings:
    """What an installation can choose.

    `TRACELOG_DATABASE_URL` (database_url), `TRACELOG_SECRET_KEY` (secret_key), `TRACELOG_DATA_DIR`
    (data_dir), `TRACELOG_MQTT_USERNAME` (mqtt_username), `TRACELOG_MQTT_PASSWORD` (mqtt_password),
    `TRACELOG_OPCUA_PASSWORD` (opcua_password) and `TRACELOG_EPCIS_BASE` (epcis_base) set them; so
    do, for notices, `TRACELOG_SMTP_URL`, `TRACELOG_SMTP_FROM`, `TRACELOG_SMTP_USERNAME`,
    `TRACELOG_SMTP_PASSWORD`, `TRACELOG_BASE_URL`, `TRACELOG_WEBHOOK_REACH` and `TRACELOG_CA_FILE`;
    for an identity provider `TRACELOG_OIDC_ISSUER`, `TRACELOG_OIDC_CLIENT_ID`,
    `TRACELOG_OIDC_CLIENT_SECRET`, `TRACELOG_OIDC_NAME`, `TRACELOG_OIDC_ROLE_CLAIM`,
    `TRACELOG_OIDC_ROLES`, `TRACELOG_OIDC_ACR`, `TRACELOG_OIDC_AMR` and `TRACELOG_OIDC_MAX_AGE`;
    for the pages `TRACELOG_HOSTS`; for reads from a replica `TRACELOG_REPLICA_URL` and
    `TRACELOG_REPLICA_LAG`; for several plants `TRACELOG_GROUP`; for whoever runs the server
    `TRACELOG_SECRET_KEY_FALLBACKS`, `TRACELOG_BACKUP_FOLDER`, `TRACELOG_BACKUP_AT`,
    `TRACELOG_BACKUP_KEEP`, `TRACELOG_LOG_LEVEL` and `TRACELOG_LOG_FORMAT`.
    `TRACELOG_CONFIG` names a TOML file with the lower-case keys, by default `tracelog.toml` in the
    data folder.
    """

    database_url: str = field(repr=False)
    secret_key: str = field(repr=False)
    data_dir: Path
    # As whom the collector signs in at the broker.
    mqtt_username: str | None = None
    mqtt_password: str | None = field(default=None, repr=False)
    # Of the user that the map of the OPC UA collector names.
    opcua_password: str | None = field(default=None, repr=False)
    # What the plant's own identifiers in EPCIS events begin with.
    epcis_base: str | None = None
    # The mail server for notices, whom they come from, and as whom we sign in there.
    smtp_url: str | None = None
    smtp_from: str | None = None
    smtp_username: str | None = None
    smtp_password: str | None = field(default=None, repr=False)
    # Where the pages are, for links in what is sent.
    base_url: str | None = None
    # The names under which pages are answered, with commas between them; None: any.
    hosts: str | None = None
    # Which networks webhooks may call: `public`, `plant` or `any`.
    webhook_reach: str | None = None
    # Whose certificates are trusted when sending (PEM), in place of the system's.
    ca_file: str | None = None
    # The identity provider by which people may sign in, and which role its new people get.
    oidc_issuer: str | None = None
    oidc_client_id: str | None = None
    oidc_client_secret: str | None = field(default=None, repr=False)
    oidc_name: str | None = None
    oidc_role_claim: str | None = None
    oidc_roles: str | None = None
    # How strongly it must have made sure of them: class, methods, and how many minutes ago.
    oidc_acr: str | None = None
    oidc_amr: str | None = None
    oidc_max_age: str | None = None
    # A streaming replica of the database that pages may read from.
    replica_url: str | None = field(default=None, repr=False)
    # How far it may be behind to be read from, seconds.
    replica_lag: str | None = None
    # The file that names the plants of a group.
    group: str | None = None
    # Keys from before, with commas between them: what they signed is still accepted.
    secret_key_fallbacks: str | None = field(default=None, repr=False)
    # Where the server puts a backup each day, when by the plant's clock, and how many it keeps.
    backup_folder: str | None = None
    backup_at: str | None = None
    backup_keep: str | None = None
    # How much is logged, and whether as JSON or for eyes.
    log_level: str | None = None
    log_format: str | None = None

    @property
    def older_keys(self) -> tuple[str, ...]:
        """Secret keys from before the present one, the newest first."""
        given = (self.secret_key_fallbacks or "").split(",")
        return tuple(key.strip() for key in given if key.strip())

    def told(self) -> dict[str, str]:
        """What is set and no secret, by name; addresses without who signs in there."""
        shown = {one.name: getattr(self, one.name) for one in fields(self) if one.repr}
        return {
            name: _ACCOUNT_IN_ADDRESS.sub("//", str(value))
            for name, value in shown.items()
            if value is not None
        }


def load_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """Read the settings, making the data folder and a secret key where there are none.

    Raises:
        TracelogError: the TOML file cannot be read or has an unknown key.
    """
    environment = os.environ if environment is None else environment
    data_dir = Path(
        environment.get("TRACELOG_DATA_DIR")
        or platformdirs.user_data_dir("tracelog", appauthor=False)
    ).expanduser()
    written = _read_file(environment.get("TRACELOG_CONFIG"), data_dir / "tracelog.toml")
    if "data_dir" in written and not environment.get("TRACELOG_DATA_DIR"):
        data_dir = Path(written["data_dir"]).expanduser()
    database_url = environment.get("TRACELOG_DATABASE_URL") or written.get("database_url")
    secret_key = environment.get("TRACELOG_SECRET_KEY") or written.get("secret_key")
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        return Settings(
            database_url=with_driver(database_url or f"sqlite:///{data_dir / 'tracelog.db'}"),
            secret_key=secret_key or _kept_secret(data_dir / KEY),
            data_dir=data_dir,
            mqtt_username=_optional("mqtt_username", environment, written),
            mqtt_password=_optional("mqtt_password", environment, written),
            opcua_password=_optional("opcua_password", environment, written),
            epcis_base=_optional("epcis_base", environment, written),
            smtp_url=_optional("smtp_url", environment, written),
            smtp_from=_optional("smtp_from", environment, written),
            smtp_username=_optional("smtp_username", environment, written),
            smtp_password=_optional("smtp_password", environment, written),
            base_url=_optional("base_url", environment, written),
            hosts=_optional("hosts", environment, written),
            webhook_reach=_optional("webhook_reach", environment, written),
            ca_file=_optional("ca_file", environment, written),
            oidc_issuer=_optional("oidc_issuer", environment, written),
            oidc_client_id=_optional("oidc_client_id", environment, written),
            oidc_client_secret=_optional("oidc_client_secret", environment, written),
            oidc_name=_optional("oidc_name", environment, written),
            oidc_role_claim=_optional("oidc_role_claim", environment, written),
            oidc_acr=_optional("oidc_acr", environment, written),
            oidc_amr=_optional("oidc_amr", environment, written),
            oidc_max_age=_optional("oidc_max_age", environment, written),
            oidc_roles=_optional("oidc_roles", environment, written),
            replica_url=with_driver(_optional("replica_url", environment, written) or "") or None,
            replica_lag=_optional("replica_lag", environment, written),
            group=_optional("group", environment, written),
            secret_key_fallbacks=_optional("secret_key_fallbacks", environment, written)
            or (None if secret_key else _older_secrets(data_dir / OLDER_KEYS)),
            **{name: _optional(name, environment, written) for name in _OPERATION},
        )
    except OSError as problem:
        raise TracelogError(
            _(
                "the data folder %(folder)s cannot be used (%(why)s); set TRACELOG_DATA_DIR",
                folder=data_dir,
                why=problem.strerror,
            )
        ) from problem


def _optional(key: str, environment: Mapping[str, str], written: Mapping[str, str]) -> str | None:
    return environment.get(f"TRACELOG_{key.upper()}") or written.get(key)


def with_driver(url: str) -> str:
    """An address of a database as SQLAlchemy wants it; people paste what PostgreSQL's tools say."""
    for prefix in ("postgresql://", "postgres://"):
        if url.startswith(prefix):
            return "postgresql+psycopg://" + url.removeprefix(prefix)
    return url


def _read_file(named: str | None, default: Path) -> dict[str, str]:
    path = Path(named).expanduser() if named else default
    if not named and not path.exists():
        return {}
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as problem:
        raise TracelogError(
            _("the settings file %(path)s cannot be read: %(why)s", path=path, why=problem)
        ) from problem
    known = {one.name for one in fields(Settings)}
    for key, value in content.items():
        if key not in known or not isinstance(value, str):
            raise TracelogError(
                _(
                    "%(path)s: '%(key)s' is not a setting; known are %(known)s, each a text",
                    path=path,
                    key=key,
                    known=", ".join(sorted(known)),
                )
            )
    return content


def _kept_secret(path: Path) -> str:
    # Made once and kept, so that a restart does not sign everybody out.
    if not path.exists():
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(secrets.token_urlsafe(48))
    return path.read_text(encoding="ascii").strip()


def _older_secrets(path: Path) -> str | None:
    try:
        return ",".join(path.read_text(encoding="ascii").split()) or None
    except FileNotFoundError:
        return None
