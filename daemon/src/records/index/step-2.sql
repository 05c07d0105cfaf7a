CREATE INDEX runs_by_machine ON runs (machine, started_ms);
CREATE INDEX runs_by_start ON runs (started_ms);
CREATE INDEX measurements_by_name ON measurements (name, run);
CREATE INDEX findings_by_finding ON findings (finding, run)
