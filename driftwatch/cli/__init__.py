"""The command line: reads arguments, calls the API, prints. No logic of its own."""

from __future__ import annotations

from driftwatch.cli.main import main

__all__ = ["main"]
