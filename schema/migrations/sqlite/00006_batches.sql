-- +goose Up

-- Many lines under one name: reports to be assessed, or vehicles to be scored again under another
-- rule set. The counts are kept here so that asking how far it has got reads one row.
CREATE TABLE batches (
    id               TEXT    NOT NULL PRIMARY KEY,
    organisation     TEXT    NOT NULL,
    kind             TEXT    NOT NULL CHECK (kind IN ('reports', 'rescore')),
    state            TEXT    NOT NULL CHECK (state IN ('receiving', 'working', 'done', 'cancelled')),
    gate             TEXT    NOT NULL, -- empty: that of each assessment
    rule_set         TEXT    NOT NULL,
    rule_set_version TEXT    NOT NULL,
    rule_set_digest  TEXT    NOT NULL,
    idempotency_key  TEXT,             -- NULL: none was sent
    fingerprint      TEXT    NOT NULL, -- of what was asked for, without the lines
    tally            TEXT    NOT NULL, -- digest of the lines so far
    through          INTEGER NOT NULL DEFAULT 0 CHECK (through >= 0), -- number of the last line that is stored
    lines            INTEGER NOT NULL DEFAULT 0, -- that are not blank
    refused          INTEGER NOT NULL DEFAULT 0,
    done             INTEGER NOT NULL DEFAULT 0,
    failed           INTEGER NOT NULL DEFAULT 0,
    changed          INTEGER NOT NULL DEFAULT 0, -- scored again, and not as before
    chunks           INTEGER NOT NULL DEFAULT 0,
    chunks_finished  INTEGER NOT NULL DEFAULT 0,
    created_at       INTEGER NOT NULL, -- unix ms
    received_at      INTEGER,          -- unix ms; when the last line came
    finished_at      INTEGER,          -- unix ms
    UNIQUE (organisation, idempotency_key)
) STRICT, WITHOUT ROWID;

CREATE INDEX batches_newest ON batches (organisation, created_at, id);

-- What a worker takes at once.
CREATE TABLE batch_chunks (
    id          TEXT    NOT NULL PRIMARY KEY,
    batch       TEXT    NOT NULL REFERENCES batches (id),
    number      INTEGER NOT NULL CHECK (number > 0),
    attempt     INTEGER NOT NULL DEFAULT 0,
    enqueued_at INTEGER NOT NULL, -- unix ms
    finished_at INTEGER           -- unix ms
) STRICT, WITHOUT ROWID;

CREATE INDEX batch_chunks_unfinished ON batch_chunks (enqueued_at, id) WHERE finished_at IS NULL;

CREATE TABLE batch_lines (
    batch         TEXT    NOT NULL REFERENCES batches (id),
    line          INTEGER NOT NULL CHECK (line > 0),
    chunk         INTEGER NOT NULL, -- its number
    vehicle       TEXT    NOT NULL, -- empty: it could not be read
    assessment_id TEXT,             -- of the report, or that is scored again
    problem       TEXT,             -- problem details (JSON) of a line that was refused, or could not be scored again
    result        TEXT,             -- JSON: what has changed
    PRIMARY KEY (batch, line)
) STRICT, WITHOUT ROWID;

CREATE INDEX batch_lines_chunk ON batch_lines (batch, chunk, line);

-- Assessments of a batch are worked out by the chunk, and waited for by the chunk.
ALTER TABLE assessments ADD COLUMN batch TEXT;
ALTER TABLE assessments ADD COLUMN summary TEXT; -- JSON: what lists of many show of a done one

CREATE INDEX assessments_waiting ON assessments (enqueued_at, id) WHERE finished_at IS NULL AND batch IS NULL;
