"""Transmissions as data: packs, shifts, modes, signals and limits."""
