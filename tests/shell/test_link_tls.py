"""Encrypted connections: verified both ways, or not made."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.shell.driven import Driven
from tests.support.certificates import OPENSSL, Certificates, make_certificates
from tests.support.mosquitto import Mosquitto

pytestmark = [
    pytest.mark.broker,
    # paho leaves the socket of a failed handshake to the garbage collector, which warns.
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
    pytest.mark.skipif(OPENSSL is None, reason="the program openssl is not installed"),
]


def listener(files: Certificates, *, ask_client: bool = False) -> str:
    """Lines for an encrypted listener."""
    return (
        f"cafile {files.authority}\ncertfile {files.server}\nkeyfile {files.server_key}\n"
        f"require_certificate {str(ask_client).lower()}\n"
    )


def test_verified_server(make_broker: Callable[..., Mosquitto], tmp_path: Path) -> None:
    """A server whose certificate the named authority signed is spoken to."""
    files = make_certificates(tmp_path)
    broker = make_broker(listener_extra=listener(files))
    broker.start()
    driven = Driven(broker.port, tls=True, ca_file=str(files.authority))

    driven.up()
    assert driven.link.close(within_s=2.0)


def test_unknown_authority_is_refused(
    make_broker: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    """A certificate of an authority that nobody named is not trusted, and the reason is told."""
    files = make_certificates(tmp_path)
    broker = make_broker(listener_extra=listener(files))
    broker.start()
    driven = Driven(broker.port, tls=True)

    driven.until(lambda: "certificate verify failed" in driven.link.facts.reason)


def test_wrong_name_is_refused(make_broker: Callable[..., Mosquitto], tmp_path: Path) -> None:
    """A good certificate for another host does not do."""
    files = make_certificates(tmp_path, server_name="DNS:elsewhere.example")
    broker = make_broker(listener_extra=listener(files))
    broker.start()
    driven = Driven(broker.port, tls=True, ca_file=str(files.authority))

    driven.until(lambda: "certificate verify failed" in driven.link.facts.reason)


def test_client_certificate(make_broker: Callable[..., Mosquitto], tmp_path: Path) -> None:
    """A broker that asks for a certificate gets the configured one."""
    files = make_certificates(tmp_path)
    broker = make_broker(listener_extra=listener(files, ask_client=True))
    broker.start()
    stranger = Driven(broker.port, tls=True, ca_file=str(files.authority))
    driven = Driven(
        broker.port,
        tls=True,
        ca_file=str(files.authority),
        certificate_file=str(files.client),
        key_file=str(files.client_key),
    )

    driven.up()
    assert driven.link.close(within_s=2.0)
    stranger.until(lambda: "closed the connection" in stranger.link.facts.reason)
    assert stranger.counters.connections == 0
    stranger.link.close(within_s=0.5)
