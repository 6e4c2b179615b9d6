-- The same data joined, for people who query the file with SQL.

CREATE VIEW reading_list AS
SELECT s.unit, s.taken_at_local, s.odometer_km, s.fluid_temp_c, c.mode, c.channel, c.signal,
       r.value, r.value_entered, r.unit_entered, r.learn_count, r.source,
       f.name AS file, r.line, r.snapshot_id, r.cell_id
FROM readings r
JOIN snapshots s USING (snapshot_id)
JOIN cells c USING (cell_id)
LEFT JOIN files f ON f.file_id = r.file_id;

CREATE VIEW snapshot_list AS
SELECT s.*, f.name AS file, coalesce(n.readings, 0) AS readings, coalesce(n.source, '') AS source
FROM snapshots s
LEFT JOIN files f USING (file_id)
LEFT JOIN (
    SELECT snapshot_id, count(*) AS readings, min(nullif(source, '')) AS source FROM readings GROUP BY snapshot_id
) n USING (snapshot_id);

CREATE VIEW quarantine_list AS
SELECT f.name AS file, q.line, q.code, q.reason, q.raw, f.imported_at_utc, q.file_id
FROM quarantine q
JOIN files f USING (file_id);

CREATE VIEW audit_list AS
SELECT a.*, o.name AS old_file, n.name AS new_file
FROM audit a
LEFT JOIN files o ON o.file_id = a.old_file_id
LEFT JOIN files n ON n.file_id = a.new_file_id;
