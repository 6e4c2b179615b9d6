"""Steps, bends and transients, found jointly over a unit's cells."""
