-- The tables. Units of measure are in the names. Local times are wall-clock times of the store's zone,
-- without offset; times ending in _utc are the computer's own, in UTC. Each fact carries the file and the
-- line that stated it last (file_id NULL: entered by hand).

CREATE TABLE settings (
    name VARCHAR PRIMARY KEY,
    value VARCHAR NOT NULL,
    changed_at_utc TIMESTAMP NOT NULL,
    changed_by VARCHAR NOT NULL
);
COMMENT ON TABLE settings IS 'settings that were changed from their default';

CREATE TABLE profiles (
    name VARCHAR PRIMARY KEY,
    toml VARCHAR NOT NULL,
    added_at_utc TIMESTAMP NOT NULL,
    added_by VARCHAR NOT NULL
);
COMMENT ON TABLE profiles IS 'own transmission profiles; the built-in ones come with the program';

CREATE TABLE files (
    file_id INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    mapping_sha256 VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    rows BIGINT NOT NULL,
    new_rows BIGINT NOT NULL,
    same_rows BIGINT NOT NULL,
    corrected_rows BIGINT NOT NULL,
    quarantined_rows BIGINT NOT NULL,
    first_at_local TIMESTAMP,
    last_at_local TIMESTAMP,
    imported_at_utc TIMESTAMP NOT NULL,
    imported_by VARCHAR NOT NULL
);
COMMENT ON TABLE files IS 'every file that was taken and changed something';
COMMENT ON COLUMN files.mapping_sha256 IS 'fingerprint of the mapping it was read through; empty without one';

CREATE TABLE units (
    unit VARCHAR NOT NULL,
    profile VARCHAR NOT NULL,
    in_service_on DATE,
    site VARCHAR NOT NULL,
    note VARCHAR NOT NULL,
    file_id INTEGER,
    line BIGINT
);
COMMENT ON TABLE units IS 'one transmission in one vehicle';

CREATE TABLE unit_fields (
    unit VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    value VARCHAR NOT NULL,
    file_id INTEGER,
    line BIGINT
);
COMMENT ON TABLE unit_fields IS 'further columns of the units file, kept with the unit';

CREATE TABLE snapshots (
    snapshot_id INTEGER NOT NULL,
    unit VARCHAR NOT NULL,
    taken_at_local TIMESTAMP NOT NULL,
    odometer_km DOUBLE NOT NULL,
    odometer_entered DOUBLE NOT NULL,
    odometer_unit_entered VARCHAR NOT NULL,
    fluid_temp_c DOUBLE,
    fluid_temp_entered DOUBLE,
    fluid_temp_unit_entered VARCHAR NOT NULL,
    file_id INTEGER,
    line BIGINT
);
COMMENT ON TABLE snapshots IS 'one reading-out of a controller at one time; unit and taken_at_local name it';

CREATE TABLE cells (
    cell_id INTEGER NOT NULL,
    mode VARCHAR NOT NULL,
    channel VARCHAR NOT NULL,
    signal VARCHAR NOT NULL
);
COMMENT ON TABLE cells IS 'what a value can belong to; mode is empty for the values of a clutch pack';

CREATE TABLE readings (
    snapshot_id INTEGER NOT NULL,
    cell_id INTEGER NOT NULL,
    value DOUBLE NOT NULL,
    value_entered DOUBLE NOT NULL,
    unit_entered VARCHAR NOT NULL,
    learn_count DOUBLE,
    source VARCHAR NOT NULL,
    file_id INTEGER,
    line BIGINT
);
COMMENT ON TABLE readings IS 'one value; snapshot_id and cell_id name it';
COMMENT ON COLUMN readings.value IS 'in the unit of the signal in the unit''s profile';
COMMENT ON COLUMN readings.unit_entered IS 'unit of measure as the file wrote it; empty: the profile''s';
COMMENT ON COLUMN readings.learn_count IS 'shifts learned from since the snapshot before; NULL if not recorded';

CREATE TABLE events (
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
    line BIGINT
);
COMMENT ON TABLE events IS 'the log of what was done to a unit';
COMMENT ON COLUMN events.amount IS 'in amount_unit: N.m for power, kg for load, or a share in %';

CREATE TABLE audit (
    changed_at_utc TIMESTAMP NOT NULL,
    changed_by VARCHAR NOT NULL,
    what VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    at_local TIMESTAMP,
    mode VARCHAR NOT NULL,
    channel VARCHAR NOT NULL,
    signal VARCHAR NOT NULL,
    event_id VARCHAR NOT NULL,
    field VARCHAR NOT NULL,
    old_value VARCHAR,
    new_value VARCHAR,
    old_file_id INTEGER,
    old_line BIGINT,
    new_file_id INTEGER,
    new_line BIGINT
);
COMMENT ON TABLE audit IS 'every value that was replaced: what it was, what it became, by which file, when, by whom';
COMMENT ON COLUMN audit.what IS 'reading, snapshot, unit, event, setting or profile; field says which part of it';

CREATE TABLE quarantine (
    file_id INTEGER NOT NULL,
    line BIGINT NOT NULL,
    code VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    raw VARCHAR NOT NULL
);
COMMENT ON TABLE quarantine IS 'rows that cannot be right, as they stood in the file (JSON), and why';
