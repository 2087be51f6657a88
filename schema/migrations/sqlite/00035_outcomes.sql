-- +goose Up

-- What came of attempts, and what parts in the hand were like. Nothing in it changes but what becomes of it.
CREATE TABLE outcomes (
    id                TEXT    NOT NULL PRIMARY KEY,
    organisation      TEXT    NOT NULL,
    vehicle           TEXT    NOT NULL,
    received_at       INTEGER NOT NULL, -- unix ms
    before_at         INTEGER NOT NULL, -- unix ms: what came in until then was known before the attempt
    month             TEXT    NOT NULL, -- of the attempt: 2026-05
    body              TEXT    NOT NULL, -- JSON, as posted
    posted_by         TEXT    NOT NULL,
    idempotency_key   TEXT,             -- NULL: none was sent
    fingerprint       TEXT    NOT NULL,
    withdrawn_at      INTEGER,          -- unix ms
    withdrawn_because TEXT    NOT NULL DEFAULT '',
    replaced_by       TEXT    NOT NULL DEFAULT '',
    assessment_id     TEXT    NOT NULL DEFAULT '', -- that it judges; empty: none, or not known yet
    counted           TEXT    NOT NULL DEFAULT '', -- what of it is among the counts, in lines
    waits             INTEGER NOT NULL DEFAULT 1, -- 1: the counts have not what they should of it
    problem           TEXT    NOT NULL DEFAULT '', -- why it cannot be counted
    UNIQUE (organisation, idempotency_key),
    FOREIGN KEY (organisation, vehicle) REFERENCES vehicles (organisation, reference) ON DELETE CASCADE
) STRICT;

CREATE INDEX outcomes_of ON outcomes (organisation, vehicle, received_at, id);
CREATE INDEX outcomes_waiting ON outcomes (received_at, id) WHERE waits = 1;

-- How many forecasts of about one probability came true. They say nothing of any vehicle.
CREATE TABLE outcome_counts (
    organisation    TEXT    NOT NULL,
    rule_set_digest TEXT    NOT NULL,
    period          TEXT    NOT NULL, -- a month; empty: all of them
    kind            TEXT    NOT NULL,
    name            TEXT    NOT NULL,
    step            INTEGER NOT NULL, -- the forecast, rounded
    family          TEXT    NOT NULL,
    seen            INTEGER NOT NULL,
    events          INTEGER NOT NULL,
    unseen          INTEGER NOT NULL,
    PRIMARY KEY (organisation, rule_set_digest, kind, period, name, step)
) STRICT, WITHOUT ROWID;

-- Which rule sets have been judged.
CREATE TABLE judged_rule_sets (
    organisation     TEXT    NOT NULL,
    rule_set_digest  TEXT    NOT NULL,
    rule_set         TEXT    NOT NULL,
    rule_set_version TEXT    NOT NULL,
    outcomes         INTEGER NOT NULL,
    newest_at        INTEGER NOT NULL, -- unix ms: when the newest outcome came in
    PRIMARY KEY (organisation, rule_set_digest)
) STRICT, WITHOUT ROWID;
