"""The store: one DuckDB file with every reading, where it came from, and what was corrected."""
