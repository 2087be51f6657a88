-- +goose Up

-- Everything belongs to one organisation; what was there before keys belongs to the workshop. The
-- program of before this step cannot go on beside it: stop it first. Later steps do not need that.

-- SQLite changes keys by building tables anew: meanwhile references lead nowhere.
PRAGMA defer_foreign_keys = ON;
CREATE TABLE vehicles_before AS SELECT * FROM vehicles;
CREATE TABLE reports_before AS SELECT * FROM reports;
CREATE TABLE idempotency_before AS SELECT * FROM idempotency;
DROP TABLE idempotency;
DROP TABLE reports;
DROP TABLE vehicles;

CREATE TABLE vehicles (
    organisation TEXT    NOT NULL DEFAULT 'workshop',
    reference    TEXT    NOT NULL,
    description  TEXT    NOT NULL,
    reports      INTEGER NOT NULL CHECK (reports > 0),
    updated_at   INTEGER NOT NULL, -- unix ms; when the newest report came
    PRIMARY KEY (organisation, reference)
) STRICT, WITHOUT ROWID;
INSERT INTO vehicles (reference, description, reports, updated_at)
SELECT reference, description, reports, updated_at FROM vehicles_before;

CREATE TABLE reports (
    id           TEXT    NOT NULL PRIMARY KEY,
    organisation TEXT    NOT NULL DEFAULT 'workshop',
    vehicle      TEXT    NOT NULL,
    ordinal      INTEGER NOT NULL CHECK (ordinal > 0), -- counts the reports on the vehicle from 1
    reference    TEXT    NOT NULL,
    inspected    TEXT    NOT NULL, -- ISO 8601 date
    received_at  INTEGER NOT NULL, -- unix ms
    body         TEXT    NOT NULL, -- JSON as posted
    UNIQUE (organisation, vehicle, ordinal),
    FOREIGN KEY (organisation, vehicle) REFERENCES vehicles (organisation, reference)
) STRICT;
INSERT INTO reports (id, vehicle, ordinal, reference, inspected, received_at, body)
SELECT id, vehicle, ordinal, reference, inspected, received_at, body FROM reports_before;

CREATE TABLE idempotency (
    organisation  TEXT    NOT NULL DEFAULT 'workshop',
    key           TEXT    NOT NULL,
    fingerprint   TEXT    NOT NULL,
    report_id     TEXT    NOT NULL,
    assessment_id TEXT    NOT NULL,
    created_at    INTEGER NOT NULL, -- unix ms
    PRIMARY KEY (organisation, key)
) STRICT, WITHOUT ROWID;
INSERT INTO idempotency (key, fingerprint, report_id, assessment_id, created_at)
SELECT key, fingerprint, report_id, assessment_id, created_at FROM idempotency_before;

DROP TABLE idempotency_before;
DROP TABLE reports_before;
DROP TABLE vehicles_before;

ALTER TABLE assessments ADD COLUMN organisation TEXT NOT NULL DEFAULT 'workshop';
-- How often a worker began with it: one that ends every worker is given up in the end.
ALTER TABLE assessments ADD COLUMN starts INTEGER NOT NULL DEFAULT 0;

DROP INDEX assessments_history;
CREATE INDEX assessments_history ON assessments (organisation, vehicle, ordinal, created_at, id);
CREATE INDEX vehicles_newest ON vehicles (organisation, updated_at, reference);

CREATE TABLE api_keys (
    id           TEXT    NOT NULL PRIMARY KEY,
    organisation TEXT    NOT NULL,
    label        TEXT    NOT NULL,
    scopes       TEXT    NOT NULL, -- with spaces between
    digest       TEXT    NOT NULL, -- SHA-256 of the key, in hexadecimal
    created_at   INTEGER NOT NULL, -- unix ms
    expires_at   INTEGER,          -- unix ms
    revoked_at   INTEGER,          -- unix ms
    last_used_at INTEGER           -- unix ms
) STRICT, WITHOUT ROWID;

CREATE INDEX api_keys_organisation ON api_keys (organisation, created_at, id);
