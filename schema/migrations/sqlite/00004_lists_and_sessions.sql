-- +goose Up

-- What lists of vehicles are filtered and sorted by: of the newest finished assessment. The
-- assessment itself is the truth.
ALTER TABLE vehicles ADD COLUMN assessed INTEGER NOT NULL DEFAULT 0; -- its ordinal; 0: there is none
ALTER TABLE vehicles ADD COLUMN verdict TEXT NOT NULL DEFAULT '';
ALTER TABLE vehicles ADD COLUMN in_the_way INTEGER NOT NULL DEFAULT 0;

UPDATE vehicles SET assessed = COALESCE((
    SELECT max(a.ordinal) FROM assessments AS a
    WHERE a.organisation = vehicles.organisation AND a.vehicle = vehicles.reference AND a.state = 'done'), 0);
UPDATE vehicles SET verdict = COALESCE(a.verdict_state, ''), in_the_way = COALESCE(a.blockers, 0)
FROM assessments AS a
WHERE a.organisation = vehicles.organisation AND a.vehicle = vehicles.reference AND a.state = 'done' AND a.ordinal = vehicles.assessed;

CREATE INDEX vehicles_most_in_the_way ON vehicles (organisation, in_the_way, reference);

-- Who has signed in on a page, by a key.
CREATE TABLE sessions (
    digest     TEXT    NOT NULL PRIMARY KEY, -- SHA-256 of what the cookie has, in hexadecimal
    key_id     TEXT    NOT NULL,
    expires_at INTEGER NOT NULL -- unix ms
) STRICT, WITHOUT ROWID;

CREATE INDEX sessions_ended ON sessions (expires_at);
