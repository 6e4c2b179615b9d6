"""What the owner's answer says, as frozen objects."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from driftwatch.reporting.parts import About, Chart


@dataclass(frozen=True)
class Share:
    """What one cause has of the whole change.

    Attributes
    ----------
    cause, label : str
        Cause as in the assessment, and in the owner's words.
    share, low, high : float
        The share and its range, 0 to 1; all `share` add up to 1.
    asked : bool
        True for the cause the question is about.

    """

    cause: str
    label: str
    share: float
    low: float
    high: float
    asked: bool


@dataclass(frozen=True)
class ExplainContext:
    """The owner's page.

    Attributes
    ----------
    title, unit, question : str
        Heading, name of the unit, the question as asked.
    since : date
        Day of the event, or the day asked about.
    answer : {"yes", "mostly", "partly", "no", "can't tell yet"}
        The answer in a word or two.
    answer_sentence, because : str
        The answer in a sentence, and the reason for it.
    besides : tuple of str
        What goes on whatever the answer is (a pack near its limit, a slow drift); the sentence names it too.
    shares : tuple of Share
        Largest first; empty where no change is seen.
    picture : Chart or None
        The shares with their ranges.
    learning : str
        Whether the transmission is still learning.
    wear : str
        Whether something is wearing out.
    do, dont : tuple of str
        What to do, and what not to do.
    come_back : str
        When to have it read out again.
    would_change : tuple of str
        What would change the answer.
    details : tuple of str
        What was found, one line each.
    about : About
        Footer of the page.

    """

    title: str
    unit: str
    question: str
    since: date
    answer: str
    answer_sentence: str
    because: str
    besides: tuple[str, ...]
    shares: tuple[Share, ...]
    picture: Chart | None
    learning: str
    wear: str
    do: tuple[str, ...]
    dont: tuple[str, ...]
    come_back: str
    would_change: tuple[str, ...]
    details: tuple[str, ...]
    about: About
