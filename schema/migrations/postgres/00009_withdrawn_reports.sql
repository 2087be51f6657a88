-- +goose Up

-- A report can be withdrawn, or replaced by a later one. It stays, marked, and assessments are made without
-- it from then on: a withdrawal has an ordinal among those of the vehicle's reports, so that what an
-- assessment covers is as it was, whenever it is worked out. The column vehicles.reports counts ordinals.
-- A program of before this step reads withdrawn reports as if they stood: stop it before any is withdrawn.
ALTER TABLE reports ADD COLUMN withdrawn_ordinal BIGINT;                  -- NULL: it stands
ALTER TABLE reports ADD COLUMN withdrawn_at BIGINT;                       -- unix ms
ALTER TABLE reports ADD COLUMN withdrawn_because TEXT NOT NULL DEFAULT ''; -- empty: it was replaced
ALTER TABLE reports ADD COLUMN replaced_by TEXT COLLATE "C";                         -- the id of a report

-- Of the ordinals, those that are withdrawals; how many reports do not stand; and the ordinal up to which
-- assessments say nothing of the vehicle, since the last report that stood was withdrawn with it.
ALTER TABLE vehicles ADD COLUMN withdrawals BIGINT NOT NULL DEFAULT 0;
ALTER TABLE vehicles ADD COLUMN withdrawn BIGINT NOT NULL DEFAULT 0;
ALTER TABLE vehicles ADD COLUMN void BIGINT NOT NULL DEFAULT 0;
