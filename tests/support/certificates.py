"""Self-signed certificates of programs on this machine, for tests."""

import socket
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID


@dataclass(frozen=True)
class CertificateFiles:
    """A certificate and its private key, both PEM."""

    certificate: Path
    key: Path


def make_certificate(
    folder: Path, name: str, uri: str | None, ends: timedelta = timedelta(days=2)
) -> CertificateFiles:
    """Make the certificate of an application, as OPC UA part 6, 6.2.2 asks (from memory).

    Args:
        folder: where to write NAME.pem and NAME-key.pem.
        name: the common name.
        uri: the application's URI; None: it has none.
        ends: from now until it is no longer valid; negative for one that has run out.
    """
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    present = datetime.now(UTC)
    names: list[x509.GeneralName] = [
        x509.DNSName(socket.gethostname()),
        x509.IPAddress(ip_address("127.0.0.1")),
    ]
    if uri is not None:
        names.append(x509.UniformResourceIdentifier(uri))
    usage = x509.KeyUsage(
        digital_signature=True,
        content_commitment=True,
        key_encipherment=True,
        data_encipherment=True,
        key_agreement=False,
        key_cert_sign=True,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )
    purposes = x509.ExtendedKeyUsage(
        [ExtendedKeyUsageOID.CLIENT_AUTH, ExtendedKeyUsageOID.SERVER_AUTH]
    )
    certificate = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(present - timedelta(days=9))
        .not_valid_after(present + ends)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(purposes, critical=False)
        .sign(key, hashes.SHA256())
    )
    files = CertificateFiles(folder / f"{name}.pem", folder / f"{name}-key.pem")
    files.certificate.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    files.key.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return files
