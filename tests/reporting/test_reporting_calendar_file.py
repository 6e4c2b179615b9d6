"""The calendar file against RFC 5545: line ends, folding, escaping, required properties, all-day windows."""

from __future__ import annotations

import re

import pytest
from reporting_factory import NASTY, analysis, fleet, outlook

from driftwatch.reporting.ics import calendar, escape_text, fold
from driftwatch.reporting.review import build_review
from driftwatch.settings import Settings


def ics(analyses):
    return calendar(build_review(analyses, None, "2026-03", Settings()))


def unfold(text):
    """RFC 5545 section 3.1: a CRLF followed by one space is taken away."""
    return text.replace("\r\n ", "").split("\r\n")


def test_lines_end_in_crlf_and_have_at_most_75_octets():
    raw = ics(fleet()).encode("utf-8")
    lines = raw.split(b"\r\n")
    assert lines[-1] == b""
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert max(len(line) for line in lines) <= 75
    for line in lines:
        line.decode("utf-8")  # no character is cut in two


def test_every_entry_has_what_the_standard_asks_for():
    lines = unfold(ics(fleet()))
    assert lines[0] == "BEGIN:VCALENDAR"
    assert "VERSION:2.0" in lines
    assert any(line.startswith("PRODID:") for line in lines)
    assert lines.count("BEGIN:VEVENT") == lines.count("END:VEVENT") == 9
    uids = [line for line in lines if line.startswith("UID:")]
    assert len(set(uids)) == 9
    assert all(re.fullmatch(r"DTSTAMP:\d{8}T\d{6}Z", x) for x in lines if x.startswith("DTSTAMP"))
    for start, end in zip(
        *([x for x in lines if x.startswith(k)] for k in ("DTSTART", "DTEND")), strict=True
    ):
        assert re.fullmatch(r"DTSTART;VALUE=DATE:\d{8}", start)
        assert re.fullmatch(r"DTEND;VALUE=DATE:\d{8}", end)
        assert end[-8:] > start[-8:]


def test_due_window_runs_from_the_tenth_to_the_even_chance():
    """Hand-solved: p50 = 11 000 km at 200 km a day is 55 days after 31 March, 25 May; p10 is 33 days, 3 May.

    DTEND is the day after the last one (RFC 5545 section 3.6.1).
    """
    lines = unfold(ics([analysis("U", clutches=(outlook("pack4", "plan", 0.8, 11000.0),))]))
    assert "DTSTART;VALUE=DATE:20260503" in lines
    assert "DTEND;VALUE=DATE:20260526" in lines
    assert "SUMMARY:Plan: U\\, clutch pack4" in lines


def test_uid_stays_when_the_date_moves():
    def uid(km):
        lines = unfold(ics([analysis("U", clutches=(outlook("pack4", "plan", 0.8, km),))]))
        return next(x for x in lines if x.startswith("UID:"))

    assert uid(11000.0) == uid(9000.0)


def test_names_stay_text():
    text = ics(fleet())
    summary = next(x for x in unfold(text) if x.startswith("SUMMARY") and "alert" in x)
    # RFC 5545 section 3.3.11: backslash, semicolon and comma are escaped
    assert summary == "SUMMARY:Now: " + NASTY.replace("\\", "\\\\").replace(",", "\\,").replace(
        ";", "\\;"
    ) + ("\\, clutch pack3")


@pytest.mark.parametrize(
    ("text", "escaped"),
    [
        ("a,b;c\\d", "a\\,b\\;c\\\\d"),
        ("two\nlines", "two\\nlines"),
        ("two\r\nlines", "two\\nlines"),
        ("bell\x07END:VEVENT\u2028x", "bell END:VEVENT x"),
    ],
)
def test_escape_text(text, escaped):
    assert escape_text(text) == escaped


def test_a_unit_cannot_smuggle_in_a_line_of_its_own():
    text = ics([analysis("U\r\nEND:VCALENDAR\r\nX:", clutches=(outlook("pack4", "due", 0.9, 900.0),))])
    assert unfold(text).count("END:VCALENDAR") == 1


@pytest.mark.parametrize("line", ["x" * 75, "x" * 76, "é" * 80, "🚚" * 60, "", "x" * 73 + "🚚🚚"])
def test_fold_loses_nothing(line):
    folded = fold(line)
    assert folded.endswith("\r\n")
    assert folded[:-2].replace("\r\n ", "") == line
    assert all(len(part.encode("utf-8")) <= 75 for part in folded.split("\r\n"))
