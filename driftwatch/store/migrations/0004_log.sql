-- The log can be put right by hand: entries as they stood before are kept, so that the same rows in a later file do
-- not bring them back.

CREATE TABLE events_done (
    event_id VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    happened_at_local TIMESTAMP NOT NULL,
    kind VARCHAR NOT NULL,
    amount DOUBLE,
    amount_unit VARCHAR NOT NULL,
    amount_entered DOUBLE,
    amount_unit_entered VARCHAR NOT NULL,
    note VARCHAR NOT NULL,
    logged_at_utc TIMESTAMP NOT NULL,
    logged_by VARCHAR NOT NULL,
    file_id INTEGER,
    line BIGINT,
    what VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    done_at_utc TIMESTAMP NOT NULL,
    done_by VARCHAR NOT NULL
);
COMMENT ON TABLE events_done IS 'entries of the log as they stood before they were corrected or retracted by hand';
COMMENT ON COLUMN events_done.what IS 'corrected: it has another time, kind or note now; retracted: it is no longer in the log';
