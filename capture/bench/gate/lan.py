"""The network door: which address, and a certificate of this machine's own that is made once for it."""

from __future__ import annotations

import ipaddress
import socket
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

from capture.bench.gate.people import write_private
from capture.errors import EnvironmentFault, UsageError

VALID_DAYS = 730
_SPARE = timedelta(days=14)

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


@dataclass(frozen=True)
class Certificate:
    """A certificate and its key, PEM files; ``fingerprint`` is the SHA-256 of the certificate (hexadecimal)."""

    chain: Path
    key: Path
    fingerprint: str
    until: datetime


def lan_address(wanted: str) -> Address:
    """The address to listen on: ``wanted``, or with "auto" the one by which this machine reaches its network.

    Raises:
        UsageError: it is no single address, or a loopback one.
        EnvironmentFault: this machine has no network address.
    """
    if wanted == "auto":
        return _own_address()
    try:
        address = ipaddress.ip_address(wanted)
    except ValueError as error:
        raise UsageError(
            f"--lan {wanted}: no address; write one of this machine's own, such as 192.168.1.20."
        ) from error
    if address.is_unspecified or address.is_multicast:
        raise UsageError(f"--lan {wanted}: name one address of this machine, so that the bench is open there only.")
    if address.is_loopback:
        raise UsageError(f"--lan {wanted}: that is this machine itself, where the bench is served without --lan.")
    return address


def host_of(address: Address, port: int) -> str:
    """The Host header's value for an address and a port."""
    return f"[{address}]:{port}" if address.version == 6 else f"{address}:{port}"


def certificate_for(folder: Path, address: Address) -> Certificate:
    """This machine's certificate for an address: the one in ``folder``, or a new one when there is none that serves.

    Raises:
        EnvironmentFault: the folder cannot be written or read.
    """
    chain, key = folder / "certificate.pem", folder / "key.pem"
    found = _kept(chain, key, address)
    if found is not None:
        return found
    _make(chain, key, address)
    made = _kept(chain, key, address)
    if made is None:
        raise EnvironmentFault(f"{folder}: the certificate cannot be used; remove the folder and start again.")
    return made


def readable(fingerprint: str) -> str:
    """A fingerprint in pairs of digits, as browsers show it."""
    return " ".join(fingerprint[at : at + 2] for at in range(0, len(fingerprint), 2)).upper()


def _own_address() -> Address:
    """The address that the system would send from; nothing is sent (192.0.2.1 is for documentation, RFC 5737)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            found = ipaddress.ip_address(probe.getsockname()[0])
        except OSError as error:
            raise EnvironmentFault(
                "This machine has no network address; connect it, or name one with --lan."
            ) from error
    if found.is_loopback or found.is_unspecified:
        raise EnvironmentFault("This machine has no network address; connect it, or name one with --lan.")
    return found


def _kept(chain: Path, key: Path, address: Address) -> Certificate | None:
    from cryptography import x509

    try:
        certificate = x509.load_pem_x509_certificate(chain.read_bytes())
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(chain, key)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, x509.ExtensionNotFound):
        return None
    until = certificate.not_valid_after_utc
    if address not in names.get_values_for_type(x509.IPAddress) or until - datetime.now(UTC) < _SPARE:
        return None
    from cryptography.hazmat.primitives.serialization import Encoding

    return Certificate(chain, key, sha256(certificate.public_bytes(Encoding.DER)).hexdigest(), until)


def _make(chain: Path, key: Path, address: Address) -> None:
    """A self-signed certificate on P-256 for one address; it can sign nothing else."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives import serialization as form
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Benchwitness bench")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=VALID_DAYS))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(address)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(private, hashes.SHA256())
    )
    pem = private.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())
    write_private(key, pem)
    write_private(chain, made.public_bytes(form.Encoding.PEM))
