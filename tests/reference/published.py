"""The outside values of `values.json`; every entry there names its source, label and tolerance."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

VALUES: dict[str, Any] = json.loads((Path(__file__).parent / "values.json").read_text(encoding="utf-8"))
