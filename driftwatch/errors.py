"""Everything that can go wrong, as one tree.

    DriftwatchError                 exit code
    ├── UsageError (ValueError)         2   the call itself is wrong
    │   ├── UnknownName (KeyError-like) 2   a unit, event or profile that is not there
    │   └── NotConfirmed                2   what looks wrong, and is done only if it is said to be right
    ├── QuarantinedRows                 3   strict import refused because rows cannot be right
    ├── InputRefused (ValueError)       4   a file cannot be understood; nothing was taken
    │   └── ProfileError                4   a transmission profile that contradicts itself
    └── StoreError (OSError)            5   the store is missing, damaged or cannot be written
        ├── StoreMissing                5
        ├── StoreNewer                  5   made by a later version of the program
        ├── StoreBusy                   5   another process has it open
        └── StoreDamaged                5

Each error is one line that says what happened, where, and what to do. The command line prints that
line and leaves with the exit code; Python callers can catch the class, the base class, or the builtin.
"""

from __future__ import annotations


class DriftwatchError(Exception):
    """Base of all errors that driftwatch raises on purpose.

    Attributes
    ----------
    what : str
        What happened, in one sentence without a full stop.
    where : str
        File, line, column, unit or store concerned; may be empty.
    do : str
        What the user can do about it; may be empty.

    """

    exit_code = 1

    def __init__(self, what: str, where: str = "", do: str = "") -> None:
        self.what, self.where, self.do = what, where, do
        super().__init__(what, where, do)

    def __str__(self) -> str:
        """One line, whatever the parts contain: line breaks and control characters are folded."""
        parts = f"{self.where}: " if self.where else ""
        parts += self.what
        if self.do:
            parts += f" - {self.do}"
        return " ".join("".join(c if c.isprintable() else " " for c in parts).split())


class UsageError(DriftwatchError, ValueError):
    """The command or call is wrong in itself: an option, a date, a combination."""

    exit_code = 2


class UnknownName(UsageError):
    """A unit, event, profile or setting that does not exist."""


class NotConfirmed(UsageError):
    """What was asked for looks wrong; it is done only where somebody says that it is right all the same."""

    def __init__(self, what: str, where: str = "", do: str = "") -> None:
        super().__init__(what, where, do or "check it; where it is right all the same, confirm it")


class QuarantinedRows(DriftwatchError, ValueError):
    """A strict import met rows that cannot be right, and took nothing."""

    exit_code = 3


class InputRefused(DriftwatchError, ValueError):
    """A file cannot be understood as a whole; nothing of it was taken."""

    exit_code = 4


class ProfileError(InputRefused):
    """A transmission profile is incomplete or contradicts itself."""


class StoreError(DriftwatchError, OSError):
    """The store cannot be used."""

    exit_code = 5


class StoreMissing(StoreError):
    """There is no store at that path."""


class StoreNewer(StoreError):
    """The store was made by a later version of the program."""


class StoreBusy(StoreError):
    """Another process has the store open for writing."""


class StoreDamaged(StoreError):
    """The store cannot be read, or its contents contradict themselves."""


class DriftwatchWarning(UserWarning):
    """Base of all warnings that driftwatch gives."""


class WeakAnswer(DriftwatchWarning):
    """The answer rests on little data."""


class OddData(DriftwatchWarning):
    """The data contradict themselves."""


class AssumptionFailed(DriftwatchWarning):
    """A statistical assumption does not hold for these data."""
