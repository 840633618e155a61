"""Settings of the section ``[weekly]``: folders, freshness, comparison, pruning and mail."""

from __future__ import annotations

from dataclasses import dataclass

from lamplighter.settings.base import Section, setting


@dataclass(frozen=True, kw_only=True)
class WeeklySettings(Section):
    """Where the weekly job finds and leaves things; paths are relative to the settings file."""

    inbox: str = setting("inbox", "folder", "Where the historian drops its exports.")
    history: str = setting("history", "folder", "Where check-ins are kept from week to week.")
    reports: str = setting("reports", "folder", "Where each week's report goes, in a folder named by ISO week.")
    register: str = setting("register.csv", "file", "What is known of the nodes; may be missing.")
    worklog: str = setting("worklog.csv", "file", "Work already done; may be missing.")
    acknowledged: str = setting("acknowledged.csv", "file", "Findings someone knows about; may be missing.")
    keep_weeks: int = setting(104, "weeks", "Reports older than this are removed; two years span two winters.", low=1)
    notify_at: str = setting(
        "M", "NE 107 signal", "A node at this signal or worse needs a person.", choices=("F", "C", "S", "M")
    )
    stale_hours: float = setting(
        48.0, "h", "A last check-in older than this, by the clock, means that the export stopped.", low=1.0
    )
    fresh_nodes_share: float = setting(
        0.5, "share", "With fewer than this share of last week's nodes in this week's data, the export is incomplete.",
        low=0.0, high=1.0,
    )  # fmt: skip
    same_event_days: float = setting(
        7.0,
        "days",
        "Two findings of one kind on one node this close in time are one event whose date was refined.",
        low=0.0,
    )
    date_change_days: float = setting(
        7.0, "days", "A forecast date that moves less than this from week to week is not worth a line.", low=0.0
    )
    size_change_share: float = setting(
        0.25, "share", "A size that changes by less than this share from week to week is not worth a line.", low=0.0
    )
    mail_to: tuple[str, ...] = setting((), "addresses", "Who gets the summary; nobody when empty.")
    mail_from: str = setting("", "address", "Sender of the summary.")
    mail_server: str = setting("", "host", "Mail server; no mail when empty.")
    mail_port: int = setting(
        587, "-", "Port of the mail server.", source="RFC 6409, message submission", low=1, high=65535
    )
    mail_security: str = setting(
        "starttls", "-", "How the connection is protected.", choices=("starttls", "tls", "none"), source="RFC 8314"
    )
    mail_user: str = setting("", "-", "User at the mail server; the password comes from LAMPLIGHTER_MAIL_PASSWORD.")
