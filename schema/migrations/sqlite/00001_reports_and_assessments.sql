-- +goose Up

-- One row a vehicle. Its row is the first that a new report touches, so that reports on one
-- vehicle are numbered without gaps.
CREATE TABLE vehicles (
    reference   TEXT    NOT NULL PRIMARY KEY,
    description TEXT    NOT NULL,
    reports     INTEGER NOT NULL CHECK (reports > 0),
    updated_at  INTEGER NOT NULL -- unix ms; when the newest report came
) STRICT, WITHOUT ROWID;

CREATE INDEX vehicles_newest ON vehicles (updated_at, reference);

-- Append-only.
CREATE TABLE reports (
    id          TEXT    NOT NULL PRIMARY KEY,
    vehicle     TEXT    NOT NULL REFERENCES vehicles (reference),
    ordinal     INTEGER NOT NULL CHECK (ordinal > 0), -- counts the reports on the vehicle from 1
    reference   TEXT    NOT NULL,
    inspected   TEXT    NOT NULL, -- ISO 8601 date
    received_at INTEGER NOT NULL, -- unix ms
    body        TEXT    NOT NULL, -- JSON as posted
    UNIQUE (vehicle, ordinal)
) STRICT;

-- Written once: finished_at and what stands below it is NULL until the assessment is done or
-- failed. The wide column comes last, so that lists need not read past it.
CREATE TABLE assessments (
    id               TEXT    NOT NULL PRIMARY KEY,
    report_id        TEXT    NOT NULL REFERENCES reports (id),
    vehicle          TEXT    NOT NULL,
    ordinal          INTEGER NOT NULL CHECK (ordinal > 0), -- of the last report it covers
    gate             TEXT    NOT NULL,
    rule_set         TEXT    NOT NULL,
    rule_set_version TEXT    NOT NULL,
    rule_set_digest  TEXT    NOT NULL,
    state            TEXT    NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'running', 'done', 'failed')),
    attempt          INTEGER NOT NULL DEFAULT 0 CHECK (attempt >= 0),
    created_at       INTEGER NOT NULL, -- unix ms
    enqueued_at      INTEGER NOT NULL, -- unix ms
    finished_at      INTEGER,          -- unix ms
    as_of            TEXT,             -- ISO 8601 date
    verdict_state    TEXT,
    blockers         INTEGER,
    problem          TEXT,             -- problem details (JSON) of a failed one
    body             TEXT,             -- JSON of a done one
    CHECK ((state IN ('done', 'failed')) = (finished_at IS NOT NULL)),
    CHECK ((state = 'done') = (body IS NOT NULL)),
    CHECK ((state = 'failed') = (problem IS NOT NULL))
) STRICT;

CREATE INDEX assessments_history ON assessments (vehicle, ordinal, created_at, id);
CREATE INDEX assessments_unfinished ON assessments (enqueued_at, id) WHERE finished_at IS NULL;

CREATE TABLE idempotency (
    key           TEXT    NOT NULL PRIMARY KEY,
    fingerprint   TEXT    NOT NULL,
    report_id     TEXT    NOT NULL,
    assessment_id TEXT    NOT NULL,
    created_at    INTEGER NOT NULL -- unix ms
) STRICT, WITHOUT ROWID;
