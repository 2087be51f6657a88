-- +goose Up

-- What came of attempts, and what parts in the hand were like. Nothing in it changes but what becomes of it.
CREATE TABLE outcomes (
    id                TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    organisation      TEXT COLLATE "C" NOT NULL,
    vehicle           TEXT COLLATE "C" NOT NULL,
    received_at       BIGINT NOT NULL, -- unix ms
    before_at         BIGINT NOT NULL, -- unix ms: what came in until then was known before the attempt
    month             TEXT COLLATE "C" NOT NULL, -- of the attempt: 2026-05
    body              TEXT COLLATE "C" NOT NULL, -- JSON, as posted
    posted_by         TEXT COLLATE "C" NOT NULL,
    idempotency_key   TEXT COLLATE "C",             -- NULL: none was sent
    fingerprint       TEXT COLLATE "C" NOT NULL,
    withdrawn_at      BIGINT,          -- unix ms
    withdrawn_because TEXT COLLATE "C" NOT NULL DEFAULT '',
    replaced_by       TEXT COLLATE "C" NOT NULL DEFAULT '',
    assessment_id     TEXT COLLATE "C" NOT NULL DEFAULT '', -- that it judges; empty: none, or not known yet
    counted           TEXT COLLATE "C" NOT NULL DEFAULT '', -- what of it is among the counts, in lines
    waits             BIGINT NOT NULL DEFAULT 1, -- 1: the counts have not what they should of it
    problem           TEXT COLLATE "C" NOT NULL DEFAULT '', -- why it cannot be counted
    UNIQUE (organisation, idempotency_key),
    FOREIGN KEY (organisation, vehicle) REFERENCES vehicles (organisation, reference) ON DELETE CASCADE
);

CREATE INDEX outcomes_of ON outcomes (organisation, vehicle, received_at, id);
CREATE INDEX outcomes_waiting ON outcomes (received_at, id) WHERE waits = 1;

-- How many forecasts of about one probability came true. They say nothing of any vehicle.
CREATE TABLE outcome_counts (
    organisation    TEXT COLLATE "C" NOT NULL,
    rule_set_digest TEXT COLLATE "C" NOT NULL,
    period          TEXT COLLATE "C" NOT NULL, -- a month; empty: all of them
    kind            TEXT COLLATE "C" NOT NULL,
    name            TEXT COLLATE "C" NOT NULL,
    step            BIGINT NOT NULL, -- the forecast, rounded
    family          TEXT COLLATE "C" NOT NULL,
    seen            BIGINT NOT NULL,
    events          BIGINT NOT NULL,
    unseen          BIGINT NOT NULL,
    PRIMARY KEY (organisation, rule_set_digest, kind, period, name, step)
);

-- Which rule sets have been judged.
CREATE TABLE judged_rule_sets (
    organisation     TEXT COLLATE "C" NOT NULL,
    rule_set_digest  TEXT COLLATE "C" NOT NULL,
    rule_set         TEXT COLLATE "C" NOT NULL,
    rule_set_version TEXT COLLATE "C" NOT NULL,
    outcomes         BIGINT NOT NULL,
    newest_at        BIGINT NOT NULL, -- unix ms: when the newest outcome came in
    PRIMARY KEY (organisation, rule_set_digest)
);
