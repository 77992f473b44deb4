"""Certificates of invented authorities, made anew for each test run."""

import datetime
import ipaddress
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

HOSTS = [
    x509.DNSName("localhost"),
    x509.IPAddress(ipaddress.ip_address("127.0.0.1")),
]


class Pair(NamedTuple):
    """A certificate and its key, as PEM files."""

    certificate: Path
    key: Path


class Authority:
    """Issues certificates into a folder."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder = folder
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self._key = ec.generate_private_key(ec.SECP256R1())
        made = self._built(self._name, self._key, days=2, authority=True)
        self.file = folder / f"{name}.pem"
        self.file.write_bytes(made.public_bytes(serialization.Encoding.PEM))

    def issue(self, name: str, *, days: int = 2, hosts: list | None = None) -> Pair:
        """A certificate for `name`; with negative `days` it has expired."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        made = self._built(subject, key, days=days, hosts=hosts or HOSTS)
        pair = Pair(self._folder / f"{name}.pem", self._folder / f"{name}.key")
        pair.certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
        pair.key.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        return pair

    def revoke(self, *pairs: Pair, days: int = 2) -> Path:
        """A revocation list with these; with negative `days` it is out of date."""
        now = datetime.datetime.now(datetime.UTC)
        made = (
            x509.CertificateRevocationListBuilder()
            .issuer_name(self._name)
            .last_update(now - datetime.timedelta(days=5))
            .next_update(now + datetime.timedelta(days=days))
        )
        for pair in pairs:
            serial = x509.load_pem_x509_certificate(pair.certificate.read_bytes()).serial_number
            row = x509.RevokedCertificateBuilder().serial_number(serial).revocation_date(now)
            made = made.add_revoked_certificate(row.build())
        file = self._folder / "revoked.pem"
        signed = made.sign(self._key, hashes.SHA256())
        file.write_bytes(signed.public_bytes(serialization.Encoding.PEM))
        return file

    def _built(self, subject, key, *, days, hosts=(), authority=False):
        now = datetime.datetime.now(datetime.UTC)
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - datetime.timedelta(days=5))
            .not_valid_after(now + datetime.timedelta(days=days))
            .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        )
        if hosts:
            builder = builder.add_extension(x509.SubjectAlternativeName(hosts), critical=False)
        return builder.sign(self._key, hashes.SHA256())
