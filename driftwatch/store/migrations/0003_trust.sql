-- What it takes to trust a store with years of records: where each file's rows went, what became of rows in
-- quarantine, units that were deleted, odometers that were replaced, and views whose names say their units.

ALTER TABLE files ADD COLUMN sheet VARCHAR DEFAULT '';
ALTER TABLE files ADD COLUMN way VARCHAR DEFAULT 'import';
ALTER TABLE files ADD COLUMN decimal_sign VARCHAR DEFAULT 'point';
COMMENT ON COLUMN files.sheet IS 'sheet of a workbook; empty for other files';
COMMENT ON COLUMN files.way IS 'import; or fixed / taken again: rows of that file that came out of quarantine later';
COMMENT ON COLUMN files.decimal_sign IS 'how its numbers were read: point or comma';

ALTER TABLE quarantine ADD COLUMN quarantine_id INTEGER;
ALTER TABLE quarantine ADD COLUMN unit VARCHAR DEFAULT '';
UPDATE quarantine SET quarantine_id = n.number FROM (
    SELECT rowid AS row, row_number() OVER (ORDER BY file_id, line, rowid) AS number FROM quarantine
) n WHERE n.row = quarantine.rowid;
UPDATE quarantine SET unit = trim(coalesce(
    json_extract_string(raw, '$.unit'), json_extract_string(raw, '$.Unit'), json_extract_string(raw, '$.UNIT'), ''));

CREATE TABLE quarantine_done (
    quarantine_id INTEGER NOT NULL,
    file_id INTEGER NOT NULL,
    line BIGINT NOT NULL,
    code VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    raw VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    what VARCHAR NOT NULL,
    changes VARCHAR NOT NULL,
    note VARCHAR NOT NULL,
    done_at_utc TIMESTAMP NOT NULL,
    done_by VARCHAR NOT NULL
);
COMMENT ON TABLE quarantine_done IS 'rows that left the quarantine by hand: fixed (with the changes, JSON) or dropped';

CREATE TABLE deleted_units (
    unit VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    snapshots BIGINT NOT NULL,
    readings BIGINT NOT NULL,
    events BIGINT NOT NULL,
    quarantined BIGINT NOT NULL,
    deleted_at_utc TIMESTAMP NOT NULL,
    deleted_by VARCHAR NOT NULL,
    readmitted_at_utc TIMESTAMP,
    readmitted_by VARCHAR
);
COMMENT ON TABLE deleted_units IS 'units whose data were deleted on demand; nothing of them is kept but this line';

CREATE TABLE odometer_changes (
    unit VARCHAR NOT NULL,
    changed_at_local TIMESTAMP NOT NULL,
    was_km DOUBLE NOT NULL,
    reads_km DOUBLE NOT NULL,
    add_km DOUBLE NOT NULL,
    entered_at_utc TIMESTAMP NOT NULL,
    entered_by VARCHAR NOT NULL
);
COMMENT ON TABLE odometer_changes IS 'odometers that were replaced; add_km is added to what later snapshots enter';

CREATE TABLE signal_units (
    profile VARCHAR NOT NULL,
    signal VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    view_unit VARCHAR NOT NULL,
    factor DOUBLE NOT NULL,
    shift DOUBLE NOT NULL
);
COMMENT ON TABLE signal_units IS 'unit in which a profile keeps a signal, and how the views turn it into theirs';

CREATE OR REPLACE VIEW reading_list AS
SELECT s.unit, s.taken_at_local, s.odometer_km, s.fluid_temp_c, c.mode, c.channel, c.signal,
       r.value, coalesce(m.unit, '') AS value_unit, r.value_entered, r.unit_entered, r.learn_count, r.source,
       f.name AS file, r.line, f.imported_at_utc, f.imported_by, r.snapshot_id, r.cell_id
FROM readings r
JOIN snapshots s USING (snapshot_id)
JOIN cells c USING (cell_id)
LEFT JOIN units u ON u.unit = s.unit
LEFT JOIN signal_units m ON m.profile = u.profile AND m.signal = c.signal
LEFT JOIN files f ON f.file_id = r.file_id;

CREATE OR REPLACE VIEW snapshot_list AS
SELECT s.*, f.name AS file, coalesce(n.readings, 0) AS readings, coalesce(n.source, '') AS source
FROM snapshots s
LEFT JOIN files f USING (file_id)
LEFT JOIN (
    SELECT snapshot_id, count(*) AS readings, min(nullif(source, '')) AS source FROM readings GROUP BY snapshot_id
) n USING (snapshot_id);

CREATE OR REPLACE VIEW quarantine_list AS
SELECT q.quarantine_id, f.name AS file, f.sheet, q.line, q.unit, q.code, q.reason, q.raw, f.imported_at_utc,
       f.kind, q.file_id
FROM quarantine q
JOIN files f USING (file_id);

CREATE OR REPLACE VIEW audit_list AS
SELECT a.*, o.name AS old_file, n.name AS new_file
FROM audit a
LEFT JOIN files o ON o.file_id = a.old_file_id
LEFT JOIN files n ON n.file_id = a.new_file_id;

CREATE VIEW unit_list AS
SELECT u.unit, u.profile, u.in_service_on, u.site, u.note, coalesce(n.snapshots, 0) AS snapshots,
       n.first_at_local, n.last_at_local, n.odometer_km
FROM units u
LEFT JOIN (
    SELECT unit, count(*) AS snapshots, min(taken_at_local) AS first_at_local,
           max(taken_at_local) AS last_at_local, max(odometer_km) AS odometer_km
    FROM snapshots GROUP BY unit
) n USING (unit);

CREATE VIEW event_list AS
SELECT e.event_id, e.unit, e.happened_at_local, e.kind, e.amount, e.amount_unit, e.note, e.amount_entered,
       e.amount_unit_entered, e.logged_at_utc, e.logged_by, f.name AS file, e.line
FROM events e
LEFT JOIN files f USING (file_id);

CREATE VIEW pack_readings AS
SELECT s.unit, s.taken_at_local, s.odometer_km, s.fluid_temp_c, c.channel AS pack,
       r.value * m.factor + m.shift AS clutch_volume_cm3, r.learn_count, r.source
FROM readings r
JOIN snapshots s USING (snapshot_id)
JOIN cells c USING (cell_id)
JOIN units u ON u.unit = s.unit
JOIN signal_units m ON m.profile = u.profile AND m.signal = c.signal
WHERE c.signal = 'clutch_volume';

CREATE VIEW shift_readings AS
SELECT s.unit, s.taken_at_local, s.odometer_km, s.fluid_temp_c, c.mode, c.channel AS shift,
       max(r.value * m.factor + m.shift) FILTER (c.signal = 'apply_trim') AS apply_trim_kpa,
       max(r.value * m.factor + m.shift) FILTER (c.signal = 'release_trim') AS release_trim_kpa,
       max(r.value * m.factor + m.shift) FILTER (c.signal = 'shift_time') AS shift_time_s,
       max(r.value * m.factor + m.shift) FILTER (c.signal = 'torque_cut') AS torque_cut_percent,
       max(r.learn_count) AS learn_count
FROM readings r
JOIN snapshots s USING (snapshot_id)
JOIN cells c USING (cell_id)
JOIN units u ON u.unit = s.unit
JOIN signal_units m ON m.profile = u.profile AND m.signal = c.signal
WHERE c.signal IN ('apply_trim', 'release_trim', 'shift_time', 'torque_cut')
GROUP BY ALL;

COMMENT ON VIEW reading_list IS 'every reading with its snapshot, cell and origin; value_unit is the unit of value';
COMMENT ON VIEW snapshot_list IS 'snapshots, with how many readings each has';
COMMENT ON VIEW quarantine_list IS 'rows that cannot be right, with their file';
COMMENT ON VIEW audit_list IS 'values that were replaced, with the names of both files';
COMMENT ON VIEW unit_list IS 'units, with their snapshots counted';
COMMENT ON VIEW event_list IS 'the log';
COMMENT ON VIEW pack_readings IS 'clutch volumes in cm3, one row a pack and snapshot';
COMMENT ON VIEW shift_readings IS 'trims in kPa, times in s, torque cuts in percent, one row a shift, mode and snapshot';
