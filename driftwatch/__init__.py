"""driftwatch: tells wear from power, load, fluid and pressure changes in a transmission's learned values.

The public names are those of `__all__`, described in `docs/api.md`. They are fetched when first used, so that
importing the package is quick.
"""

from __future__ import annotations

from importlib import import_module, metadata
from typing import TYPE_CHECKING, Any

from driftwatch.errors import (
    AssumptionFailed,
    DriftwatchError,
    DriftwatchWarning,
    InputRefused,
    NotConfirmed,
    OddData,
    ProfileError,
    QuarantinedRows,
    StoreBusy,
    StoreDamaged,
    StoreError,
    StoreMissing,
    StoreNewer,
    UnknownName,
    UsageError,
    WeakAnswer,
)

if TYPE_CHECKING:
    from driftwatch.api import Store
    from driftwatch.api import open_store as open  # noqa: A004 - `driftwatch.open`, as `gzip.open`
    from driftwatch.assessment.backtest.results import Backtest
    from driftwatch.assessment.results import (
        Assessment,
        Caution,
        Effect,
        Finding,
        Rival,
        UnitAnalysis,
        UnitAssessment,
    )
    from driftwatch.changes.segment import segment
    from driftwatch.inputs import ImportOutcome
    from driftwatch.intake.mapping import Mapping
    from driftwatch.profile.load import read_profile
    from driftwatch.profile.model import Clutch, Profile, Shift, Signal
    from driftwatch.service.results import ClutchOutlook
    from driftwatch.settings import Settings
    from driftwatch.store.records import Records
    from driftwatch.store.report import ImportReport

_LATER = {
    "Assessment": "driftwatch.assessment.results",
    "Backtest": "driftwatch.assessment.backtest.results",
    "Caution": "driftwatch.assessment.results",
    "Clutch": "driftwatch.profile.model",
    "ClutchOutlook": "driftwatch.service.results",
    "Effect": "driftwatch.assessment.results",
    "Finding": "driftwatch.assessment.results",
    "ImportOutcome": "driftwatch.inputs",
    "ImportReport": "driftwatch.store.report",
    "Mapping": "driftwatch.intake.mapping",
    "Profile": "driftwatch.profile.model",
    "Records": "driftwatch.store.records",
    "Rival": "driftwatch.assessment.results",
    "Settings": "driftwatch.settings",
    "Shift": "driftwatch.profile.model",
    "Signal": "driftwatch.profile.model",
    "Store": "driftwatch.api",
    "UnitAnalysis": "driftwatch.assessment.results",
    "UnitAssessment": "driftwatch.assessment.results",
    "open": "driftwatch.api",
    "read_profile": "driftwatch.profile.load",
    "segment": "driftwatch.changes.segment",
}
_OTHER_NAME = {"open": "open_store"}

__all__ = [
    "Assessment",
    "AssumptionFailed",
    "Backtest",
    "Caution",
    "Clutch",
    "ClutchOutlook",
    "DriftwatchError",
    "DriftwatchWarning",
    "Effect",
    "Finding",
    "ImportOutcome",
    "ImportReport",
    "InputRefused",
    "Mapping",
    "NotConfirmed",
    "OddData",
    "Profile",
    "ProfileError",
    "QuarantinedRows",
    "Records",
    "Rival",
    "Settings",
    "Shift",
    "Signal",
    "Store",
    "StoreBusy",
    "StoreDamaged",
    "StoreError",
    "StoreMissing",
    "StoreNewer",
    "UnitAnalysis",
    "UnitAssessment",
    "UnknownName",
    "UsageError",
    "WeakAnswer",
    "open",
    "read_profile",
    "segment",
]

__version__: str


def __getattr__(name: str) -> Any:
    """Fetch a public name when it is first used."""
    if name == "__version__":
        return metadata.version("driftwatch-transmission")
    if name not in _LATER:
        raise AttributeError(f"module 'driftwatch' has no attribute {name!r}")
    value = getattr(import_module(_LATER[name]), _OTHER_NAME.get(name, name))
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*__all__, "__version__"})
