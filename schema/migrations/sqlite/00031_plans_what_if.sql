-- +goose Up

-- A plan may be made only to be held beside another, of the same reports. NULL: it is one to work by.
ALTER TABLE plans ADD COLUMN what_if_of TEXT;

CREATE INDEX plans_what_if ON plans (what_if_of, created_at, id) WHERE what_if_of IS NOT NULL;
