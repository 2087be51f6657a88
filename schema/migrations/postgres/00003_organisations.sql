-- +goose Up

-- Everything belongs to one organisation; what was there before keys belongs to the workshop. The
-- program of before this step cannot go on beside it: stop it first. Later steps do not need that.

ALTER TABLE reports DROP CONSTRAINT reports_vehicle_fkey;
ALTER TABLE reports DROP CONSTRAINT reports_vehicle_ordinal_key;
ALTER TABLE vehicles DROP CONSTRAINT vehicles_pkey;
DROP INDEX vehicles_newest;
DROP INDEX assessments_history;

ALTER TABLE vehicles ADD COLUMN organisation TEXT COLLATE "C" NOT NULL DEFAULT 'workshop';
ALTER TABLE reports ADD COLUMN organisation TEXT COLLATE "C" NOT NULL DEFAULT 'workshop';
ALTER TABLE assessments ADD COLUMN organisation TEXT COLLATE "C" NOT NULL DEFAULT 'workshop';
ALTER TABLE idempotency ADD COLUMN organisation TEXT COLLATE "C" NOT NULL DEFAULT 'workshop';

ALTER TABLE vehicles ADD PRIMARY KEY (organisation, reference);
ALTER TABLE reports ADD UNIQUE (organisation, vehicle, ordinal);
ALTER TABLE reports ADD FOREIGN KEY (organisation, vehicle) REFERENCES vehicles (organisation, reference);
ALTER TABLE idempotency DROP CONSTRAINT idempotency_pkey;
ALTER TABLE idempotency ADD PRIMARY KEY (organisation, key);

CREATE INDEX vehicles_newest ON vehicles (organisation, updated_at, reference);
CREATE INDEX assessments_history ON assessments (organisation, vehicle, ordinal, created_at, id);

-- How often a worker began with it: one that ends every worker is given up in the end.
ALTER TABLE assessments ADD COLUMN starts BIGINT NOT NULL DEFAULT 0;

CREATE TABLE api_keys (
    id           TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    organisation TEXT COLLATE "C" NOT NULL,
    label        TEXT   NOT NULL,
    scopes       TEXT   NOT NULL, -- with spaces between
    digest       TEXT   NOT NULL, -- SHA-256 of the key, in hexadecimal
    created_at   BIGINT NOT NULL, -- unix ms
    expires_at   BIGINT,          -- unix ms
    revoked_at   BIGINT,          -- unix ms
    last_used_at BIGINT           -- unix ms
);

CREATE INDEX api_keys_organisation ON api_keys (organisation, created_at, id);
