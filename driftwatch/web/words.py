"""What columns of files are called where their rows are shown."""

from __future__ import annotations

#: Columns in words; others, such as a wide file's own, are called as the file calls them.
WORDS = {
    "unit": "Unit", "taken_at": "Read on", "odometer_km": "Odometer, km", "odometer_mi": "Odometer, mi",
    "fluid_temp_c": "Fluid temperature, °C", "fluid_temp_f": "Fluid temperature, °F", "source": "Read with",
    "mode": "Mode", "channel": "Shift or pack", "signal": "Signal", "value": "Value",
    "value_unit": "Unit of the value", "learn_count": "Shifts learned from", "profile": "Profile",
    "in_service_on": "In service since", "site": "Site", "note": "Note", "happened_at": "Done on",
    "kind": "What was done", "amount": "Amount", "amount_unit": "Unit of the amount",
}  # fmt: skip
