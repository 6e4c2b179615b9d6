"""Due windows as a calendar file (RFC 5545), for any calendar program."""

from __future__ import annotations

import hashlib
import unicodedata
from datetime import date, timedelta

from driftwatch.reporting import sentences
from driftwatch.reporting.context.review import ReviewContext, WorkItem
from driftwatch.reporting.work import subject


def calendar(context: ReviewContext) -> str:
    """Give the month's dated work items as all-day entries.

    A clutch stands from its 10 % day to its 50 % day: the window in which to have it seen to. What has no
    date (to be inspected, to be read out) stands on the day after the report. Items whose limit is not
    expected at all are left out. The same item keeps its UID from month to month, so that a calendar moves it
    instead of doubling it.
    """
    stamp = f"{context.about.as_of:%Y%m%d}T000000Z"
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//driftwatch//fleet review//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        f"X-WR-CALNAME:{escape_text(context.title)}",
    ]
    for item in context.work:
        window = _window(item, context.about.as_of)
        if window is not None:
            lines += _entry(item, *window, stamp)
    lines.append("END:VCALENDAR")
    return "".join(fold(line) for line in lines)


def escape_text(text: str) -> str:
    """Escape a TEXT value (RFC 5545 section 3.3.11); other control characters become spaces."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    text = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")
    return "".join(" " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in text)


def fold(line: str) -> str:
    """Fold a content line at 75 octets (RFC 5545 section 3.1), never inside a character; with its CRLF."""
    parts, room, current = [], 75, ""
    used = 0
    for c in line:
        size = len(c.encode("utf-8"))
        if used + size > room:
            parts.append(current)
            current, used, room = "", 0, 74  # the fold's leading space takes one octet
        current, used = current + c, used + size
    parts.append(current)
    return "\r\n ".join(parts) + "\r\n"


def _window(item: WorkItem, as_of: date) -> tuple[date, date] | None:
    """Give first and last day, both included."""
    tomorrow = as_of + timedelta(days=1)
    if item.kind != "clutch":
        return tomorrow, tomorrow
    if item.early is None:
        return (tomorrow, tomorrow) if item.urgency == "now" else None
    first = max(item.early, tomorrow)
    return first, max(item.middle or first, first)


def _entry(item: WorkItem, first: date, last: date, stamp: str) -> list[str]:
    uid = hashlib.sha256(item.key.encode("utf-8", "surrogatepass")).hexdigest()[:32]
    after = last if last == date.max else last + timedelta(days=1)
    told = f"{item.reason}\nBy when: {item.by_when}\nHow sure: {item.sure}\nCheck: {item.check}"
    lines = [
        "BEGIN:VEVENT",
        f"UID:{uid}@driftwatch.invalid",
        f"DTSTAMP:{stamp}",
        f"DTSTART;VALUE=DATE:{first:%Y%m%d}",
        f"DTEND;VALUE=DATE:{after:%Y%m%d}",
        f"SUMMARY:{escape_text(f'{sentences.URGENCY[item.urgency]}: {item.unit}, {subject(item)}')}",
        f"DESCRIPTION:{escape_text(told)}",
        f"CATEGORIES:{escape_text(sentences.URGENCY[item.urgency])}",
        "TRANSP:TRANSPARENT",
    ]
    if item.site.strip():
        lines.append(f"LOCATION:{escape_text(item.site)}")
    return [*lines, "END:VEVENT"]
