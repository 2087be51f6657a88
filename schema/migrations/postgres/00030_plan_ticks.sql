-- +goose Up

-- What was said of the steps of plans: that one is done, or that it is not after all. Rows are added and never changed.
CREATE TABLE plan_ticks (
    place           BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    organisation    TEXT COLLATE "C" NOT NULL,
    vehicle         TEXT COLLATE "C" NOT NULL,
    plan            TEXT COLLATE "C" NOT NULL REFERENCES plans (id) ON DELETE CASCADE,
    step            BIGINT NOT NULL CHECK (step > 0),
    undone          BIGINT NOT NULL CHECK (undone IN (0, 1)), -- 1: it is not done after all
    done_on         TEXT    NOT NULL, -- the day on which it was done; empty where it is not
    inspector       TEXT    NOT NULL, -- who did it, as it was told; empty: nobody told
    report_id       TEXT COLLATE "C",             -- of what was found; NULL: the step finds nothing
    said_at         BIGINT NOT NULL, -- unix ms
    said_by         TEXT    NOT NULL, -- the id of the API key; empty: none was needed
    idempotency_key TEXT COLLATE "C",             -- NULL: none was sent, or it is that of the report
    fingerprint     TEXT    NOT NULL,
    UNIQUE (organisation, idempotency_key)
);

CREATE INDEX plan_ticks_of ON plan_ticks (organisation, vehicle, place);
CREATE INDEX plan_ticks_plan ON plan_ticks (plan, step);
CREATE INDEX plan_ticks_report ON plan_ticks (report_id) WHERE report_id IS NOT NULL;
