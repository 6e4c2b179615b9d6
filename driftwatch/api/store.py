"""What follows from a store: assessments, reports, exports. It finds, hands on and decides nothing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from driftwatch.api.folders import as_folder, possible_folder
from driftwatch.api.stored import Progress, StoredData
from driftwatch.days import Day, as_day, month_days
from driftwatch.errors import UnknownName, UsageError
from driftwatch.plain import frame_rows
from driftwatch.store.files import fits_of
from driftwatch.wording import Wording, is_chosen, wording, written

if TYPE_CHECKING:
    from driftwatch.assessment.backtest.results import Backtest
    from driftwatch.assessment.results import Assessment, UnitAnalysis
    from driftwatch.reporting.context.review import WorkItem

#: What `alerts` lists for each service state asked for.
URGENCIES = {
    "watch": ("now", "inspect", "plan", "watch"),
    "plan": ("now", "inspect", "plan"),
    "due": ("now", "inspect"),
}


class Store(StoredData):
    """A fleet's units, readings, log and settings, and what follows from them.

    Made by `driftwatch.open`; to be closed, best by `with`. Days may be given as `date` or as text
    (`2026-03-14`). Frames are new objects: changing one changes nothing in the store.

    Attributes
    ----------
    path : Path
    settings : Settings

    """

    def analyse(
        self, as_of: Day | None = None, units: Sequence[str] | None = None, progress: Progress = None
    ) -> tuple[UnitAnalysis, ...]:
        """Give each unit's readings, fit and assessment as objects; `assess` gives the last part only."""
        from driftwatch.assessment.assess import analyse
        from driftwatch.assessment.kept import Kept

        records, how = self.records(as_of), self._wording()
        whole = self._analysed.get((records.as_of, None, how))
        if whole is not None and units is not None:
            found = tuple(a for a in whole if a.assessment.unit in set(units))
            if len(found) == len(set(units)):
                return found
        key = (records.as_of, None if units is None else tuple(units), how)
        if key not in self._analysed:
            # Of the whole fleet's records, so that an answer does not depend on what else is asked.
            with written(how):
                self._analysed[key] = analyse(
                    records, self.settings, units, progress, Kept(fits_of(self.path))
                )
        return self._analysed[key]

    def assess(
        self, as_of: Day | None = None, units: Sequence[str] | None = None, progress: Progress = None
    ) -> Assessment:
        """Assess all units, or some.

        Parameters
        ----------
        as_of : date or str, optional
            Only what was read or logged up to that day is known; today if left out.
        units : sequence of str, optional
            Only these; all if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        Raises
        ------
        UnknownName
            If a unit is not in the store.

        """
        from driftwatch.assessment.assess import made_by
        from driftwatch.assessment.results import Assessment

        analyses = self.analyse(as_of, units, progress)
        return Assessment(self._past_day(as_of), made_by(), tuple(a.assessment for a in analyses))

    def alerts(
        self, as_of: Day | None = None, at_least: str = "plan", progress: Progress = None
    ) -> list[WorkItem]:
        """Give what needs someone now, most urgent first.

        Clutches at the service state `at_least` or beyond, and whatever needs an inspection: a learned value
        at the end of its range, packs that overlap, falling supply pressure, a change without a cause.

        Parameters
        ----------
        as_of : date or str, optional
            Only what was known up to that day counts; today if left out.
        at_least : str
            Least service state of a clutch that is listed: "watch", "plan" or "due".
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        """
        from driftwatch.reporting.work import urgency_order, work_items

        if at_least not in URGENCIES:
            raise UsageError(f"there is no level {at_least!r}", do="give watch, plan or due")
        sites = self._sites()
        said = self.assess(as_of, progress=progress)
        with written(self._wording()):
            items = [i for u in said.units for i in work_items(u, sites.get(u.unit, ""))]
        return sorted((i for i in items if i.urgency in URGENCIES[at_least]), key=urgency_order)

    def backtest(
        self,
        start: Day | None = None,
        end: Day | None = None,
        as_of: Day | None = None,
        every: int = 1,
        units: Sequence[str] | None = None,
        progress: Progress = None,
    ) -> Backtest:
        """Hold what would have been said at earlier month ends against what came later in this store.

        Each month end costs about as much as one assessment. `docs/backtest.md` says what the figures mean.

        Parameters
        ----------
        start, end : date or str, optional
            Month ends from one day to the other are looked back from, both included. Without `start`, from
            when the first unit can be judged; without `end`, to the last one before the last day known.
        as_of : date or str, optional
            What came is told from what was known up to that day; today if left out.
        every : int
            Months between month ends, counted back from the last.
        units : sequence of str, optional
            Only these, on the evidence of the whole fleet; all if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        Raises
        ------
        UsageError
            If there is no month end to look back from, or a day lies outside what is known.
        UnknownName
            If a unit is not in the store.

        """
        from driftwatch.assessment.backtest.run import backtest

        first, last = (None if day is None else as_day(day) for day in (start, end))
        records = self.records(as_of)
        return backtest(
            records,
            self.settings,
            first,
            last,
            every,
            units,
            now=lambda: self.analyse(records.as_of, units, progress),
            progress=progress,
        )

    def write_backtest(self, backtest: Backtest, folder: str | Path = ".") -> list[Path]:
        """Write a look back as a page and as data, and give the paths of its files.

        Parameters
        ----------
        backtest : Backtest
            Of this store.
        folder : path
            Made if missing.

        """
        from driftwatch.reporting.backtest import write_backtest

        possible_folder(folder)
        units = None if len(backtest.units) == backtest.fleet else backtest.units
        with written(self._wording()):
            return write_backtest(backtest, self.analyse(backtest.known, units), as_folder(folder))

    def review(
        self, month: str, folder: str | Path = ".", backtest: bool = True, progress: Progress = None
    ) -> list[Path]:
        """Write the fleet's report of a month and give the paths of its files.

        Parameters
        ----------
        month : str
            `YYYY-MM`. In a month that is not over, what is known today counts.
        folder : path
            Made if missing.
        backtest : bool
            Say how right the program would have been in the year before; costs up to four assessments more.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        """
        from driftwatch.assessment.backtest.recent import last_year
        from driftwatch.reporting.backtest import track_record
        from driftwatch.reporting.review import write_review

        first, last = month_days(month)
        possible_folder(folder)
        today = self._past_day(None)
        if first > today:
            raise UsageError(f"{month} has not begun", do="give this month or an earlier one")
        as_of = min(last, today)
        analyses = self.analyse(as_of, progress=progress)
        earlier = self.records(first - timedelta(days=1))
        before = None
        if len(earlier.snapshots):
            before = [a.assessment for a in self.analyse(earlier.as_of, progress=progress)]
        looked = (
            last_year(self.records(as_of), self.settings, lambda: analyses, progress) if backtest else None
        )
        with written(self._wording()):
            record = track_record(looked, analyses, as_of) if backtest else None
            return write_review(
                analyses, before, month, self.settings, as_folder(folder), as_of=as_of, record=record
            )

    def followup(
        self,
        unit: str,
        since: Day | None = None,
        folder: str | Path = ".",
        as_of: Day | None = None,
        progress: Progress = None,
    ) -> list[Path]:
        """Write the shop's report of one unit after a change, and give the paths of its files.

        Parameters
        ----------
        unit : str
            A unit of the store.
        since : date or str, optional
            Day or event id of the change; the unit's last event if left out.
        folder : path
            Made if missing.
        as_of : date or str, optional
            Only what was known up to that day counts; today if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        Raises
        ------
        UnknownName
            If there is no such unit or event.
        UsageError
            If `since` is left out and nothing is logged for the unit.

        """
        from driftwatch.reporting.followup import write_followup
        from driftwatch.reporting.provenance import Provenance
        from driftwatch.reporting.since import find_since
        from driftwatch.store import clock

        since = self._asked(unit, _day_or_name(since), as_of)
        possible_folder(folder)
        now = self._analysis(unit, as_of, progress)
        day_before = find_since(now.panel, since).on - timedelta(days=1)
        earlier = self.records(day_before)
        before = None
        if (earlier.snapshots["unit"] == unit).any():
            before = self._analysis(unit, day_before, progress)
        day = self._past_day(as_of)
        known = Provenance(
            made_for=self._database.who,
            made_at=clock.now_utc(),
            sources=frame_rows(self.sources(unit, day)),
            history=frame_rows(self.history(unit)),
        )
        with written(self._wording()):
            return write_followup(now, before, since, self.settings, as_folder(folder), day, known)

    def explain(
        self,
        unit: str,
        event: str | None = None,
        on: Day | None = None,
        folder: str | Path = ".",
        as_of: Day | None = None,
        progress: Progress = None,
    ) -> list[Path]:
        """Write the owner's page on one change of one unit, and give the paths of its files.

        Parameters
        ----------
        unit : str
            A unit of the store.
        event : str, optional
            The event's id.
        on : date or str, optional
            The day, where nothing is logged. With neither, it is about the unit's last event.
        folder : path
            Made if missing.
        as_of : date or str, optional
            Only what was known up to that day counts; today if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        Raises
        ------
        UnknownName
            If there is no such unit or event.
        UsageError
            If neither is given and nothing is logged for the unit.

        """
        from driftwatch.reporting.explain import write_explain

        possible_folder(folder)
        which = event if event is not None else None if on is None else as_day(on)
        self._asked(unit, which, as_of)
        now = self._analysis(unit, as_of, progress)
        day = self._past_day(as_of)
        with written(self._wording()):
            return write_explain(now, which, self.settings, as_folder(folder), as_of=day)

    def export(
        self,
        folder: str | Path,
        what: Sequence[str] | None = None,
        fmt: Literal["parquet", "csv"] = "parquet",
        as_of: Day | None = None,
        progress: Progress = None,
    ) -> list[Path]:
        """Write stored data and fitted values, one file each, and give their paths.

        Parameters
        ----------
        folder : path
            Made if missing.
        what : sequence of str, optional
            Of `units`, `snapshots` (every reading), `events`, `files`, `quarantine`, `audit`, `odometers`,
            `settings`, `profiles` and `fitted`; all if left out.
        fmt : str
            "parquet" or "csv".
        as_of : date or str, optional
            Day as of which values are fitted; today if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        """
        from driftwatch.assessment.fitted import write_fitted
        from driftwatch.store.export import EXPORTS, FORMATS

        wanted = tuple((*EXPORTS, "fitted") if what is None else dict.fromkeys(what))
        for name in wanted:
            if name not in (*EXPORTS, "fitted"):
                raise UsageError(f"there is no {name!r} to export", do=f"give {', '.join(EXPORTS)} or fitted")
        if fmt not in FORMATS:
            raise UsageError(f"there is no form {fmt!r}", do=f"give {' or '.join(FORMATS)}")
        day = self._past_day(as_of)
        target = as_folder(folder)
        stored = [name for name in wanted if name != "fitted"]
        written = self._database.export(target, stored, fmt) if stored else []
        if "fitted" in wanted:
            analyses = self.analyse(day, progress=progress)
            written.append(write_fitted(analyses, target / f"fitted.{fmt}"))
        return written

    def _analysis(self, unit: str, as_of: Day | None, progress: Progress) -> UnitAnalysis:
        found = self.analyse(as_of, [unit], progress)
        if not found:
            raise UnknownName(f"there is nothing known of unit {unit!r} on that day", do="give a later day")
        return found[0]

    def _asked(self, unit: str, when: Day | None, as_of: Day | None) -> Day | None:
        """Refuse a day or event that is later than all that is known, and another unit's event."""
        last, on = self._past_day(as_of), when
        if isinstance(when, str):
            entry = next((row for row in frame_rows(self.events()) if row["event_id"] == when), None)
            if entry is None:
                return when  # whoever looks for it says that there is none
            if entry["unit"] != unit:
                raise UnknownName(
                    f"entry {when} is logged for unit {entry['unit']}, not for {unit}",
                    do=f"`driftwatch event list --unit {unit}` shows that unit's own",
                )
            on = date.fromisoformat(entry["happened_at"][:10])
        if not isinstance(on, date) or on <= last:
            return when
        if as_of is None:
            raise UsageError(f"{on} is in the future", do="give a day that has been")
        raise UsageError(f"{on} is later than {last}, the day it is told as of", do="give a later --as-of")

    def _wording(self) -> Wording:
        """Give the way of writing: what is in force where one was chosen, else the store's setting."""
        return wording() if is_chosen() else self.settings.wording

    def _sites(self) -> dict[str, str]:
        units = self.units()
        return dict(zip(units["unit"].astype(str), units["site"].fillna("").astype(str), strict=True))


def _day_or_name(since: Day | None) -> Day | None:
    return (
        as_day(since)
        if isinstance(since, str) and re.match(r"\d{4}-\d{1,2}-\d{1,2}", since.strip())
        else since
    )
