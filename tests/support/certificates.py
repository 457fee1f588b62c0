"""Throw-away certificates for tests, made with the openssl program."""

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

OPENSSL = shutil.which("openssl")


@dataclass(frozen=True, slots=True)
class Certificates:
    """Where the files are."""

    authority: Path
    server: Path
    server_key: Path
    client: Path
    client_key: Path


def make_certificates(directory: Path, *, server_name: str = "IP:127.0.0.1") -> Certificates:
    """An authority of its own, and a certificate for server and client each."""
    _run(
        directory,
        "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 "
        "-subj /CN=test-authority -keyout ca.key -out ca.pem",
    )
    for name, extension in (("server", f"subjectAltName={server_name}"), ("client", "")):
        _run(
            directory,
            "req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes "
            f"-subj /CN={name} -keyout {name}.key -out {name}.csr",
        )
        (directory / "extension").write_text(extension, encoding="ascii")
        _run(
            directory,
            f"x509 -req -in {name}.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 "
            f"-extfile extension -out {name}.pem",
        )
    return Certificates(
        directory / "ca.pem",
        directory / "server.pem",
        directory / "server.key",
        directory / "client.pem",
        directory / "client.key",
    )


def _run(directory: Path, words: str) -> None:
    assert OPENSSL is not None
    subprocess.run(  # noqa: S603 # fixed words
        [OPENSSL, *words.split()], cwd=directory, check=True, capture_output=True
    )
