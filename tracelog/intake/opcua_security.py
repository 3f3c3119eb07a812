"""Making sure of an OPC UA server and of ourselves: certificates, sign-in, nothing in the clear."""

import hashlib
import logging
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from asyncua import Client, ua
from asyncua.crypto import uacrypto
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256, SecurityPolicyNone

from tracelog.errors import TracelogError
from tracelog.instants import now, write_instant
from tracelog.intake.opcua_map import Security
from tracelog.language import _

log = logging.getLogger(__name__)

_ALTERNATIVE_NAMES = "2.5.29.17"  # RFC 5280, 4.2.1.6


class ServerRefused(TracelogError):
    """The server is not the one that is trusted, or does not let us in: somebody has to act."""


class SecuredClient(Client):  # type: ignore[misc]
    """The library's client, which sends no password in the clear."""

    async def activate_session(self, *arguments: Any, **named: Any) -> ua.ActivateSessionResult:
        """Sign in.

        Raises:
            ServerRefused: the server asks for a password that anybody on the way could read.
        """
        policy = self.server_policy(ua.UserTokenType.UserName)
        is_plain = policy.SecurityPolicyUri in {None, "", SecurityPolicyNone.URI}
        is_open = self.security_policy.Mode != ua.MessageSecurityMode.SignAndEncrypt
        if self._username and is_plain and is_open:
            raise ServerRefused(
                _(
                    "the server asks for the password in the clear; write mode ="
                    ' "SignAndEncrypt" into [security] of the map'
                )
            )
        return await super().activate_session(*arguments, **named)


async def check_endpoints(client: Client, security: Security | None) -> None:
    """Ask what the server offers, and compare its certificate with the one that is trusted.

    The answer comes unsecured: it only makes a plain sentence of what would fail later. That it
    is the right server is made sure of when the secured channel is opened.

    Args:
        client: for this question alone.
        security: what the map asks for; None: no security.

    Raises:
        ServerRefused: what the map asks for is not on offer, or the certificate is another.
    """
    offered = await client.connect_and_get_server_endpoints()
    policy, mode = SecurityPolicyNone.URI, ua.MessageSecurityMode.None_
    if security is not None:
        policy = SecurityPolicyBasic256Sha256.URI
        mode = ua.MessageSecurityMode[security.protection.value]
    fitting = [
        one for one in offered if (one.SecurityPolicyUri, one.SecurityMode) == (policy, mode)
    ]
    if not fitting:
        raise ServerRefused(
            _(
                "the server does not offer what [security] of the map asks for; it offers:"
                " %(offers)s",
                offers=", ".join(sorted(set(_names(offered)))) or _("nothing"),
            )
        )
    if security is not None:
        trusted = await _certificate(security.server_certificate, "server_certificate")
        shown = fitting[0].ServerCertificate
        if uacrypto.x509_from_der(shown) != trusted:
            raise ServerRefused(
                _(
                    "this is not the server that is trusted: its certificate has the SHA-256"
                    " %(shown)s, %(path)s has %(trusted)s; ask those who look after the server"
                    " before you trust another",
                    shown=_fingerprint(shown),
                    path=security.server_certificate,
                    trusted=_fingerprint(uacrypto.der_from_x509(trusted)),
                )
            )


def _names(offered: Sequence[ua.EndpointDescription]) -> list[str]:
    return [
        f"{str(one.SecurityPolicyUri).rpartition('#')[2]} {one.SecurityMode.name.rstrip('_')}"
        for one in offered
    ]


def _fingerprint(der: bytes | None) -> str:
    return hashlib.sha256(der or b"").hexdigest()


async def secure(client: Client, security: Security, password: str | None) -> None:
    """Let a client use certificates and, where a user is named, a password.

    Raises:
        ServerRefused: a file is not what it should be.
    """
    certificate = await _certificate(security.certificate, "certificate")
    trusted = await _certificate(security.server_certificate, "server_certificate")
    key = await _private_key(security.private_key)
    if key.public_key().public_numbers() != certificate.public_key().public_numbers():
        raise ServerRefused(
            _(
                "%(key)s is not the private key of %(certificate)s; name the two that belong"
                " together",
                key=security.private_key,
                certificate=security.certificate,
            )
        )
    for path, one in (
        (security.certificate, certificate),
        (security.server_certificate, trusted),
    ):
        if one.not_valid_after_utc < now():
            ended_at = write_instant(one.not_valid_after_utc)
            log.warning(_("%(path)s is no longer valid since %(at)s", path=path, at=ended_at))
    client.application_uri = _application_uri(certificate, security.certificate)
    await client.set_security(
        SecurityPolicyBasic256Sha256,
        uacrypto.der_from_x509(certificate),
        uacrypto.CertProperties(security.private_key.read_bytes(), _form(security.private_key)),
        server_certificate=uacrypto.der_from_x509(trusted),
        mode=ua.MessageSecurityMode[security.protection.value],
    )
    if security.user is not None:
        client.set_user(security.user)
        client.set_password(password or "")


def _form(path: Path) -> str:
    return "pem" if b"-----BEGIN" in path.read_bytes() else "der"


async def _certificate(path: Path, name: str) -> Any:
    try:
        return await uacrypto.load_certificate(path.read_bytes(), _form(path))
    except (OSError, ValueError) as problem:
        raise ServerRefused(
            _(
                "%(name)s: %(path)s is not a certificate (%(why)s); give one as PEM or DER",
                name=name,
                path=path,
                why=problem,
            )
        ) from problem


async def _private_key(path: Path) -> Any:
    try:
        return await uacrypto.load_private_key(path.read_bytes(), None, _form(path))
    except (OSError, ValueError, TypeError) as problem:
        raise ServerRefused(
            _(
                "private_key: %(path)s is not a private key without a password (%(why)s); give"
                " one as PEM or DER that only the collector's account may read",
                path=path,
                why=problem,
            )
        ) from problem


def _application_uri(certificate: Any, path: Path) -> str:
    """The URI by which the server knows the owner of a certificate (OPC UA part 6, 6.2.2)."""
    for extension in certificate.extensions:
        if extension.oid.dotted_string == _ALTERNATIVE_NAMES:
            for name in extension.value:
                value = name.value
                if type(name).__name__ == "UniformResourceIdentifier":
                    return str(value)
    raise ServerRefused(
        _(
            "certificate: %(path)s names no application (a URI among its alternative names);"
            " servers ask for one, so make it anew with one",
            path=path,
        )
    )
