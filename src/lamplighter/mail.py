"""Sends the weekly summary by SMTP; the password comes from the environment only."""

from __future__ import annotations

import os
import platform
import smtplib
import ssl
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from typing import Any

from lamplighter.errors import InputError
from lamplighter.settings import Settings

PASSWORD_VARIABLE = "LAMPLIGHTER_MAIL_PASSWORD"
TIMEOUT_S = 30.0


def wanted(settings: Settings) -> bool:
    """Whether the settings ask for mail."""
    return bool(settings.weekly.mail_server and settings.weekly.mail_to)


def message(settings: Settings, subject: str, text: str) -> EmailMessage:
    """Return the summary as a plain-text message.

    Raises
    ------
    InputError
        When an address or the subject would break the header.
    """
    mail = EmailMessage()
    try:
        mail["From"] = settings.weekly.mail_from or settings.weekly.mail_user
        mail["To"] = ", ".join(settings.weekly.mail_to)
        mail["Subject"] = " ".join(subject.split())
    except ValueError as bad:
        raise InputError(f"mail cannot be addressed: {bad}", remedy="check mail_from and mail_to in [weekly]") from bad
    mail["Date"] = formatdate(localtime=False)
    mail["Message-ID"] = make_msgid(domain="lamplighter.invalid")
    mail.set_content(text)
    return mail


def send(settings: Settings, subject: str, text: str) -> None:
    """Send the summary as the settings say.

    Raises
    ------
    InputError
        When the server cannot be reached or refuses; the password is never part of the text.
    """
    weekly = settings.weekly
    mail = message(settings, subject, text)
    password = os.environ.get(PASSWORD_VARIABLE, "")
    try:
        with _connection(settings) as server:
            if weekly.mail_security == "starttls":
                server.starttls(context=ssl.create_default_context())
            if weekly.mail_user and password:
                server.login(weekly.mail_user, password)
            server.send_message(mail)
    except (OSError, smtplib.SMTPException) as bad:
        raise InputError(
            f"mail could not be sent through {weekly.mail_server}:{weekly.mail_port}: {type(bad).__name__}",
            remedy="check mail_server, mail_port, mail_security and the password in the environment",
        ) from bad


def _connection(settings: Settings) -> smtplib.SMTP:
    weekly = settings.weekly
    # The short name: asking the resolver for the full one can hang for half a minute on a closed network.
    options: dict[str, Any] = {"timeout": TIMEOUT_S, "local_hostname": platform.node() or "localhost"}
    if weekly.mail_security == "tls":
        context = ssl.create_default_context()
        return smtplib.SMTP_SSL(weekly.mail_server, weekly.mail_port, context=context, **options)
    return smtplib.SMTP(weekly.mail_server, weekly.mail_port, **options)
