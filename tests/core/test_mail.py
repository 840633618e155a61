"""Mail by SMTP, against a server on this machine."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from email import message_from_bytes

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from lamplighter.errors import InputError
from lamplighter.mail import PASSWORD_VARIABLE, send, wanted
from lamplighter.settings import Settings, load_settings


class Box:
    """Keeps what arrives."""

    def __init__(self) -> None:
        self.mails: list[bytes] = []

    async def handle_DATA(self, server, session, envelope) -> str:
        self.mails.append(envelope.content)
        return "250 OK"


@pytest.fixture
def box() -> Iterator[tuple[Box, int]]:
    box = Box()

    def accept(server, session, envelope, mechanism, data) -> AuthResult:
        return AuthResult(success=data.login == b"site" and data.password == b"s3cret", handled=False)

    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    server = Controller(
        box, hostname="127.0.0.1", port=port, authenticator=accept, auth_require_tls=False, server_hostname="test"
    )
    server.start()
    yield box, port
    server.stop()


def _settings(port: int, **more) -> Settings:
    weekly = {
        "mail_server": "127.0.0.1",
        "mail_port": port,
        "mail_security": "none",
        "mail_to": ["planner@site.example"],
        "mail_from": "lamplighter@site.example",
        **more,
    }
    return load_settings({"weekly": weekly})


def test_the_summary_arrives(box) -> None:
    inbox, port = box
    send(_settings(port), "Week 48:\n3 nodes", "Zähler 7 needs a battery.\n")
    mail = message_from_bytes(inbox.mails[0])
    assert mail["To"] == "planner@site.example"
    assert mail["Subject"] == "Week 48: 3 nodes"
    assert mail.get_payload(decode=True).decode("utf-8").strip() == "Zähler 7 needs a battery."


def test_the_password_comes_from_the_environment(box, monkeypatch: pytest.MonkeyPatch) -> None:
    inbox, port = box
    monkeypatch.setenv(PASSWORD_VARIABLE, "s3cret")
    send(_settings(port, mail_user="site"), "a", "b")
    assert len(inbox.mails) == 1


def test_a_refused_password_is_one_line_without_the_password(box, monkeypatch: pytest.MonkeyPatch) -> None:
    _, port = box
    monkeypatch.setenv(PASSWORD_VARIABLE, "wrong-word")
    with pytest.raises(InputError, match="could not be sent") as caught:
        send(_settings(port, mail_user="site"), "a", "b")
    assert "wrong-word" not in str(caught.value)


def test_no_server_is_one_line() -> None:
    with pytest.raises(InputError, match=r"127\.0\.0\.1:9"):
        send(_settings(9), "a", "b")


def test_no_mail_unless_asked() -> None:
    assert not wanted(Settings())
    assert wanted(_settings(25))
