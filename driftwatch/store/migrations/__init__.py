"""Numbered SQL files, each run once, in one transaction, with its own record in `schema_migrations`."""
