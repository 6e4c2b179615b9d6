"""Commands that list something, with arguments under which they have something to list."""

COMMANDS_WITH_FORMAT = [
    ("profile", "list"),
    ("profile", "check", "generic-6"),
    ("event", "list"),
    ("quarantine", "list"),
    ("settings", "list"),
    ("check",),
]
