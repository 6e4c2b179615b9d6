"""What tests of sentences share."""

from __future__ import annotations


def plain(text: str) -> str:
    """Give a sentence with usual blanks where the program keeps a number and its unit on one line."""
    return text.replace("\u202f", " ").replace("\u00a0", " ")
