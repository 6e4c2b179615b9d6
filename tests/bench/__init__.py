"""Benchmarks and scorecards: they print figures, and no test asserts on time."""
