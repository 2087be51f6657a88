-- +goose Up

-- Keys collate "C": they sort by their bytes, whatever the language of the database.

-- One row a vehicle. Its row is the first that a new report touches, so that reports on one
-- vehicle are numbered without gaps.
CREATE TABLE vehicles (
    reference   TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    description TEXT    NOT NULL,
    reports     BIGINT NOT NULL CHECK (reports > 0),
    updated_at  BIGINT NOT NULL -- unix ms; when the newest report came
);

CREATE INDEX vehicles_newest ON vehicles (updated_at, reference);

-- Append-only.
CREATE TABLE reports (
    id          TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    vehicle     TEXT COLLATE "C" NOT NULL REFERENCES vehicles (reference),
    ordinal     BIGINT NOT NULL CHECK (ordinal > 0), -- counts the reports on the vehicle from 1
    reference   TEXT    NOT NULL,
    inspected   TEXT    NOT NULL, -- ISO 8601 date
    received_at BIGINT NOT NULL, -- unix ms
    body        TEXT    NOT NULL, -- JSON as posted
    UNIQUE (vehicle, ordinal)
);

-- Written once: finished_at and what stands below it is NULL until the assessment is done or
-- failed. The wide column comes last, so that lists need not read past it.
CREATE TABLE assessments (
    id               TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    report_id        TEXT COLLATE "C" NOT NULL REFERENCES reports (id),
    vehicle          TEXT COLLATE "C" NOT NULL,
    ordinal          BIGINT NOT NULL CHECK (ordinal > 0), -- of the last report it covers
    gate             TEXT    NOT NULL,
    rule_set         TEXT    NOT NULL,
    rule_set_version TEXT    NOT NULL,
    rule_set_digest  TEXT    NOT NULL,
    state            TEXT    NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'running', 'done', 'failed')),
    attempt          BIGINT NOT NULL DEFAULT 0 CHECK (attempt >= 0),
    created_at       BIGINT NOT NULL, -- unix ms
    enqueued_at      BIGINT NOT NULL, -- unix ms
    finished_at      BIGINT,           -- unix ms
    as_of            TEXT,             -- ISO 8601 date
    verdict_state    TEXT,
    blockers         BIGINT,
    problem          TEXT,             -- problem details (JSON) of a failed one
    body             TEXT,             -- JSON of a done one
    CHECK ((state IN ('done', 'failed')) = (finished_at IS NOT NULL)),
    CHECK ((state = 'done') = (body IS NOT NULL)),
    CHECK ((state = 'failed') = (problem IS NOT NULL))
);

CREATE INDEX assessments_history ON assessments (vehicle, ordinal, created_at, id);
CREATE INDEX assessments_unfinished ON assessments (enqueued_at, id) WHERE finished_at IS NULL;

CREATE TABLE idempotency (
    key           TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    fingerprint   TEXT    NOT NULL,
    report_id     TEXT    NOT NULL,
    assessment_id TEXT    NOT NULL,
    created_at    BIGINT NOT NULL -- unix ms
);

-- The default compression of a body costs the server more than storing it; lz4 does not, but not
-- every server has it.
-- +goose StatementBegin
DO $$
BEGIN
    EXECUTE 'ALTER TABLE reports ALTER COLUMN body SET COMPRESSION lz4';
    EXECUTE 'ALTER TABLE assessments ALTER COLUMN body SET COMPRESSION lz4';
EXCEPTION
    WHEN feature_not_supported OR invalid_parameter_value OR syntax_error THEN NULL;
END
$$;
-- +goose StatementEnd
