-- A replaced odometer can be put right or taken back: what was noted before is kept.

CREATE TABLE odometer_changes_done (
    unit VARCHAR NOT NULL,
    changed_at_local TIMESTAMP NOT NULL,
    was_km DOUBLE NOT NULL,
    reads_km DOUBLE NOT NULL,
    add_km DOUBLE NOT NULL,
    entered_at_utc TIMESTAMP NOT NULL,
    entered_by VARCHAR NOT NULL,
    what VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    done_at_utc TIMESTAMP NOT NULL,
    done_by VARCHAR NOT NULL
);
COMMENT ON TABLE odometer_changes_done IS 'replaced odometers as they were noted before they were corrected or retracted';
COMMENT ON COLUMN odometer_changes_done.what IS 'corrected: another one was noted instead; retracted: there was none';
