"""Quality codes: what the historian says of a value, and whether there was a transmission at all.

OPC Classic: a byte QQSSSSLL; 192 to 255 good, 64 to 127 uncertain, 0 to 63 bad. OPC UA: 32 bits, the top two are the
severity (0 good, 1 uncertain, 2 bad), the top 16 the reason (OPC UA Part 4; StatusCode.csv of the OPC Foundation).
The number 0 is bad in one and good in the other, so a column's convention is decided over all its codes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from lamplighter.checkins import BAD, GOOD, UNCERTAIN

CLASSIC, UA, ONE_IS_GOOD, WORDS, NONE = "classic", "ua", "one is good", "words", "none"

NOT_SENT_CLASSIC = {
    8: "not connected",
    20: "communication failed, last known value",
    24: "communication failure",
    32: "waiting for initial data",
}
"""OPC Classic codes (limit bits taken off) under which the stored row is no transmission of the node."""

NOT_SENT_UA = {
    0x8005: "communication failure",
    0x800A: "timeout",
    0x800D: "server not connected",
    0x8031: "no communication",
    0x8032: "waiting for initial data",
    0x808A: "not connected",
    0x809B: "no data",
    0x809D: "data lost",
    0x408F: "no communication, last usable value",
    0x00A5: "no data",
}
"""OPC UA reasons (top 16 bits) under which the stored row is no transmission of the node."""

_NOT_SENT_WORDS = {
    "commfail": "communication failure", "commfailure": "communication failure", "commerror": "communication failure",
    "communicationfailure": "communication failure", "communicationerror": "communication failure",
    "communicationfail": "communication failure", "badcommfailure": "communication failure",
    "badcommunicationfailure": "communication failure", "badcommunicationerror": "communication failure",
    "nocommunication": "no communication", "badnocommunication": "no communication", "nocomm": "no communication",
    "uncertainnocommunicationlastusablevalue": "no communication, last usable value",
    "lastknownvalue": "communication failed, last known value",
    "badlastknownvalue": "communication failed, last known value",
    "notconnected": "not connected", "badnotconnected": "not connected", "disconnected": "not connected",
    "offline": "not connected", "timeout": "timeout", "timedout": "timeout", "badtimeout": "timeout",
    "iotimeout": "timeout", "waitingforinitialdata": "waiting for initial data",
    "badwaitingforinitialdata": "waiting for initial data", "initializing": "waiting for initial data",
    "nodata": "no data", "badnodata": "no data", "goodnodata": "no data",
    "baddatalost": "data lost", "datalost": "data lost",
}  # fmt: skip
_GOOD_WORDS = frozenset({"good", "g", "ok", "valid", "normal", "gut", "true", "yes", "questionablefalse", ""})
_BAD_STARTS = (
    "bad",
    "invalid",
    "fail",
    "fault",
    "error",
    "sensorfail",
    "devicefail",
    "outofservice",
    "schlecht",
    "broken",
)
_UNCERTAIN_STARTS = (
    "uncertain",
    "questionable",
    "suspect",
    "doubtful",
    "unsicher",
    "substituted",
    "estimated",
    "manual",
    "stale",
)


def number_of(code: str) -> int | None:
    """Return a quality code as a number from 0 to 2**32 - 1, None when it is none."""
    text = code.strip().lower()
    try:
        value = (
            int(text, 16) if text.startswith("0x") else int(float(text)) if float(text) == int(float(text)) else None
        )
    except (ValueError, OverflowError):
        return None
    if value is not None and -(2**31) <= value < 0:
        value += 2**32
    return value if value is not None and 0 <= value < 2**32 else None


def convention_of(codes: Iterable[str], declared: str = "auto") -> str:
    """Decide what a column's codes mean from all of them together.

    Returns
    -------
    str
        One of ``classic``, ``ua``, ``one is good``, ``words`` and ``none`` (not understood: ignored with a notice).
    """
    if declared != "auto":
        return declared
    codes = [c for c in codes if c.strip()]
    numbers = [number_of(c) for c in codes]
    known = {n for n in numbers if n is not None}
    if not known:
        return WORDS
    if max(known) >= 2**16 or any(c.strip().lower().startswith("0x") and len(c.strip()) > 6 for c in codes):
        return UA
    if known & set(range(192, 256)):
        return CLASSIC
    if known == {0}:
        return UA
    masked = {n & 0xFC for n in known}
    classic = {0, 4, 8, 12, 16, 20, 24, 28, 32, 64, 68, 80, 84, 88}
    if masked <= classic and masked & {64, 68, 80, 84, 88, 8, 12, 16, 20, 24, 28, 32}:
        return CLASSIC
    return NONE


def meaning(code: str, convention: str) -> tuple[int, str]:
    """Return (quality, reason): the reason is empty unless the code says that nothing was transmitted."""
    number = number_of(code) if convention != WORDS else None
    if number is None:
        return _meaning_of_word(code)
    if convention == CLASSIC:
        return _classic(number)
    if convention == UA:
        severity = number >> 30
        return int((GOOD, UNCERTAIN, BAD, BAD)[severity]), NOT_SENT_UA.get(number >> 16, "")
    if convention == ONE_IS_GOOD:
        return int(GOOD if number == 1 else BAD), ""
    return int(GOOD), ""


def is_unknown(code: str, convention: str) -> bool:
    """Whether a quality code says nothing that is understood."""
    if convention == WORDS or number_of(code) is None:
        word = re.sub(r"[\W_]+", "", code.lower())
        starts = (*_UNCERTAIN_STARTS, *_BAD_STARTS, "good")
        return word not in _NOT_SENT_WORDS and word not in _GOOD_WORDS and not word.startswith(starts)
    return convention == CLASSIC and (number_of(code) or 0) & 0xC0 == 0x80


def _classic(number: int) -> tuple[int, str]:
    code = number & 0xFF
    kind = {0xC0: GOOD, 0x40: UNCERTAIN}.get(code & 0xC0, BAD)
    return int(kind), NOT_SENT_CLASSIC.get(code & 0xFC, "")


def _meaning_of_word(code: str) -> tuple[int, str]:
    word = re.sub(r"[\W_]+", "", code.lower())
    if word in _NOT_SENT_WORDS:
        return int(GOOD if word.startswith("good") else BAD), _NOT_SENT_WORDS[word]
    if word in _GOOD_WORDS or word.startswith("good"):
        return int(GOOD), ""
    if word.startswith(_UNCERTAIN_STARTS):
        return int(UNCERTAIN), ""
    if word.startswith(_BAD_STARTS):
        return int(BAD), ""
    return int(GOOD), ""


def not_sent(text: str) -> str:
    """Return why a word in place of a value means that nothing was transmitted, empty when it does not."""
    return _NOT_SENT_WORDS.get(re.sub(r"[\W_]+", "", text.lower()), "")
