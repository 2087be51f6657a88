-- +goose Up

-- Plans, each made of the reports on a vehicle that stood at an ordinal, and written once.
CREATE TABLE plans (
    id               TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    organisation     TEXT COLLATE "C" NOT NULL,
    vehicle          TEXT COLLATE "C" NOT NULL,
    ordinal          BIGINT NOT NULL CHECK (ordinal > 0),
    assessment_id    TEXT    NOT NULL, -- of the same reports
    report_id        TEXT    NOT NULL, -- the newest of them
    gate             TEXT    NOT NULL,
    rule_set         TEXT    NOT NULL,
    rule_set_version TEXT    NOT NULL,
    rule_set_digest  TEXT    NOT NULL,
    request          TEXT    NOT NULL, -- JSON
    idempotency_key  TEXT COLLATE "C",             -- NULL: none was sent
    fingerprint      TEXT    NOT NULL,
    state            TEXT    NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'running', 'done', 'failed')),
    attempt          BIGINT NOT NULL DEFAULT 0,
    starts           BIGINT NOT NULL DEFAULT 0, -- how often a worker began with it
    created_at       BIGINT NOT NULL, -- unix ms
    enqueued_at      BIGINT NOT NULL, -- unix ms
    finished_at      BIGINT,          -- unix ms
    body             TEXT,             -- JSON, once done
    problem          TEXT,             -- JSON, once failed
    UNIQUE (organisation, idempotency_key),
    FOREIGN KEY (organisation, vehicle) REFERENCES vehicles (organisation, reference) ON DELETE CASCADE
);

CREATE INDEX plans_of ON plans (organisation, vehicle, created_at, id);
CREATE INDEX plans_waiting ON plans (enqueued_at, id) WHERE finished_at IS NULL;
