"""What the look back says, as frozen objects."""

from __future__ import annotations

from dataclasses import dataclass

from driftwatch.reporting.parts import About, Chart, Table


@dataclass(frozen=True)
class BacktestContext:
    """The look back: what would have been said, against what came.

    Attributes
    ----------
    title : str
        Heading of the page.
    period : str
        What was looked at.
    lead : tuple of str
        Three lines: how right the ranges were, how early the warnings, how lasting the findings.
    forecasts : tuple of str
        What is to be said of the ranges, one line each.
    coverage : Chart or None
        How often each kind of range held.
    distances : Chart or None
        Distances to the limit said, against those that came.
    growth : Chart or None
        Volumes said and read, some months on.
    warnings : tuple of str
        What is to be said of the alerts, one line each.
    leads : Chart or None
        For how long before each limit the alerts had stood; None if no limit was reached.
    alerts : Table
        Every alert that was raised, and what came of it.
    findings : tuple of str
        What is to be said of the findings, one line each.
    fates : Table
        What became of the findings, by cause.
    moved : tuple of str
        Findings that changed or are gone, one line each.
    figures : Table
        All key figures.
    cannot : tuple of str
        What a look back cannot show, one line each.
    about : About
        Footer of the page.

    """

    title: str
    period: str
    lead: tuple[str, ...]
    forecasts: tuple[str, ...]
    coverage: Chart | None
    distances: Chart | None
    growth: Chart | None
    warnings: tuple[str, ...]
    leads: Chart | None
    alerts: Table
    findings: tuple[str, ...]
    fates: Table
    moved: tuple[str, ...]
    figures: Table
    cannot: tuple[str, ...]
    about: About
