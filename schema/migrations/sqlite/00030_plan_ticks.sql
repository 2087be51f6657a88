-- +goose Up

-- What was said of the steps of plans: that one is done, or that it is not after all. Rows are added and never changed.
CREATE TABLE plan_ticks (
    place           INTEGER PRIMARY KEY AUTOINCREMENT,
    organisation    TEXT    NOT NULL,
    vehicle         TEXT    NOT NULL,
    plan            TEXT    NOT NULL REFERENCES plans (id) ON DELETE CASCADE,
    step            INTEGER NOT NULL CHECK (step > 0),
    undone          INTEGER NOT NULL CHECK (undone IN (0, 1)), -- 1: it is not done after all
    done_on         TEXT    NOT NULL, -- the day on which it was done; empty where it is not
    inspector       TEXT    NOT NULL, -- who did it, as it was told; empty: nobody told
    report_id       TEXT,             -- of what was found; NULL: the step finds nothing
    said_at         INTEGER NOT NULL, -- unix ms
    said_by         TEXT    NOT NULL, -- the id of the API key; empty: none was needed
    idempotency_key TEXT,             -- NULL: none was sent, or it is that of the report
    fingerprint     TEXT    NOT NULL,
    UNIQUE (organisation, idempotency_key)
) STRICT;

CREATE INDEX plan_ticks_of ON plan_ticks (organisation, vehicle, place);
CREATE INDEX plan_ticks_plan ON plan_ticks (plan, step);
CREATE INDEX plan_ticks_report ON plan_ticks (report_id) WHERE report_id IS NOT NULL;
