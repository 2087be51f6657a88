-- +goose Up

-- The states of all gates by the newest finished assessment, as "gate=state gate=state", and those of
-- before it: what has changed is told without reading an assessment. Empty: not known.
ALTER TABLE vehicles ADD COLUMN gates TEXT NOT NULL DEFAULT '';
ALTER TABLE vehicles ADD COLUMN gates_before TEXT NOT NULL DEFAULT '';

-- What has happened, written in the transaction that it happened in, and kept for a while.
CREATE TABLE events (
    place        BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, -- transactions end in another order
    id           TEXT COLLATE "C" NOT NULL UNIQUE,
    organisation TEXT COLLATE "C" NOT NULL,
    type         TEXT   NOT NULL,
    recorded_at  BIGINT NOT NULL, -- unix ms
    body         TEXT   NOT NULL  -- JSON as it is sent
);

CREATE INDEX events_of ON events (organisation, place);
CREATE INDEX events_recorded ON events (organisation, recorded_at);
CREATE INDEX events_old ON events (recorded_at);

-- Who is told.
CREATE TABLE subscriptions (
    id            TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    organisation  TEXT COLLATE "C" NOT NULL,
    url           TEXT   NOT NULL,
    types         TEXT   NOT NULL, -- with spaces between; empty: all
    secret        TEXT   NOT NULL, -- sealed
    secret_before TEXT   NOT NULL DEFAULT '', -- sealed; signs as well for a while after a rotation
    before_until  BIGINT NOT NULL DEFAULT 0, -- unix ms
    created_at    BIGINT NOT NULL, -- unix ms
    disabled_at   BIGINT,          -- unix ms
    disabled_why  TEXT   NOT NULL DEFAULT ''
);

CREATE INDEX subscriptions_of ON subscriptions (organisation, created_at, id);

-- What is to be told to whom, and how that went.
CREATE TABLE deliveries (
    number       BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    organisation TEXT COLLATE "C" NOT NULL,
    subscription TEXT COLLATE "C" NOT NULL, -- no reference: an assessment finishes whoever unsubscribes meanwhile
    event        TEXT COLLATE "C" NOT NULL REFERENCES events (id) ON DELETE CASCADE,
    state        TEXT   NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'delivered', 'dead')),
    attempts     BIGINT NOT NULL DEFAULT 0, -- since it was last begun with
    due_at       BIGINT NOT NULL, -- unix ms; the next try
    leased_until BIGINT NOT NULL DEFAULT 0, -- unix ms; until then somebody tries
    tried_at     BIGINT,          -- unix ms; the last try
    status       BIGINT NOT NULL DEFAULT 0, -- of the last answer; 0: none came
    trouble      TEXT   NOT NULL DEFAULT '',
    UNIQUE (subscription, event)
);

CREATE INDEX deliveries_due ON deliveries (due_at) WHERE state = 'waiting';
CREATE INDEX deliveries_waiting ON deliveries (subscription, due_at, number) WHERE state = 'waiting';
CREATE INDEX deliveries_leased ON deliveries (leased_until, subscription);
CREATE INDEX deliveries_of ON deliveries (subscription, number);
CREATE INDEX deliveries_event ON deliveries (event);
