CREATE TABLE runs (
    id TEXT PRIMARY KEY,
    job TEXT,
    bench TEXT NOT NULL,
    machine TEXT NOT NULL,
    format TEXT NOT NULL,
    tape TEXT NOT NULL,
    sequence TEXT NOT NULL,
    started_ms BIGINT NOT NULL,
    closed_ms BIGINT,
    state TEXT NOT NULL,
    verdict TEXT,
    conclusion TEXT,
    last_seq BIGINT NOT NULL,
    journal_bytes BIGINT NOT NULL,
    journal_hash TEXT NOT NULL
);
CREATE TABLE procedures (
    run TEXT NOT NULL REFERENCES runs (id),
    place BIGINT NOT NULL,
    name TEXT NOT NULL,
    version TEXT NOT NULL,
    component TEXT NOT NULL,
    started_ms BIGINT NOT NULL,
    verdict TEXT,
    PRIMARY KEY (run, place)
);
CREATE TABLE measurements (
    run TEXT NOT NULL REFERENCES runs (id),
    place BIGINT NOT NULL,
    number BIGINT NOT NULL,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    value DOUBLE PRECISION NOT NULL,
    low DOUBLE PRECISION NOT NULL,
    high DOUBLE PRECISION NOT NULL,
    coverage DOUBLE PRECISION NOT NULL,
    good_at_least DOUBLE PRECISION,
    good_at_most DOUBLE PRECISION,
    reject_at_least DOUBLE PRECISION,
    reject_at_most DOUBLE PRECISION,
    source TEXT,
    verdict TEXT,
    PRIMARY KEY (run, place, number)
);
CREATE TABLE findings (
    run TEXT NOT NULL REFERENCES runs (id),
    place BIGINT NOT NULL,
    number BIGINT NOT NULL,
    finding TEXT NOT NULL,
    seen TEXT NOT NULL,
    PRIMARY KEY (run, place, number)
)
