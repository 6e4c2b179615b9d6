"""driftwatch: tells wear from power, load, fluid and pressure changes in a transmission's learned values."""
