"""The certificate of the way for phones: made on the spot, kept in the data folder.

One file for each address holds the key and the certificate, for its owner only. It is kept as
long as it is valid, so that a phone that was told to trust it meets the same one again.
"""

import hashlib
import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from formcheck.files.storage import make_folder, write_text

VALID_DAYS = 800
"""Some phones refuse certificates that are valid for more than 825 days."""
RENEWED_DAYS = 7
"""So long before its end another one is made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """A file with a key and its certificate, and the certificate's SHA-256 as hexadecimal."""

    path: Path
    sha256: str

    @property
    def fingerprint(self) -> str:
        """As phones show it: pairs of capital digits, `AB:CD:…`."""
        text = self.sha256.upper()
        return ":".join(text[n : n + 2] for n in range(0, len(text), 2))


def kept_certificate(folder: Path, address: str) -> Certificate:
    """The certificate for an address, made where there is none that can be used.

    folder : made where missing, for its owner only. Raises OutputError when it cannot be written.
    """
    make_folder(folder, is_private=True)
    path = folder / f"{address}.pem"
    der = _usable(path, address)
    if der is None:
        text, der = _made(address)
        write_text(path, text)
    path.chmod(0o600)
    return Certificate(path=path, sha256=hashlib.sha256(der).hexdigest())


def _usable(path: Path, address: str) -> bytes | None:
    """The kept certificate (DER); None when there is none, or none for this address and time, or
    its key is not beside it."""
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization

    try:
        text = path.read_bytes()
        found = x509.load_pem_x509_certificate(text)
        key = serialization.load_pem_private_key(text, password=None)
        names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (OSError, ValueError, TypeError, x509.ExtensionNotFound):
        return None
    if names.get_values_for_type(x509.IPAddress) != [ipaddress.ip_address(address)]:
        return None
    now = datetime.now(UTC)
    if not found.not_valid_before_utc <= now < found.not_valid_after_utc - timedelta(RENEWED_DAYS):
        return None
    if key.public_key() != found.public_key():
        return None
    return found.public_bytes(serialization.Encoding.DER)


def _made(address: str) -> tuple[str, bytes]:
    """(key and certificate as PEM, certificate as DER): P-256, signed by itself, for a server at
    this address and for nothing else."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "formcheck on your own computer")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))  # a phone's clock may be late
        .not_valid_after(now + timedelta(days=VALID_DAYS))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))]),
            critical=False,
        )
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()), critical=False
        )
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    text = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ) + made.public_bytes(serialization.Encoding.PEM)
    return text.decode("ascii"), made.public_bytes(serialization.Encoding.DER)
