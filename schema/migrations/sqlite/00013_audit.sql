-- +goose Up

-- Who did what and when. Rows are added and never changed: the database itself sees to that. Nothing in
-- them says what a vehicle is called or what was found on it, so that they outlast its erasure.
CREATE TABLE audit (
    place        INTEGER PRIMARY KEY AUTOINCREMENT,
    id           TEXT    NOT NULL UNIQUE,
    organisation TEXT    NOT NULL,
    at           INTEGER NOT NULL, -- unix ms
    through      TEXT    NOT NULL, -- key, session, machine, command or service
    api_key      TEXT    NOT NULL, -- its id; empty: none was needed
    action       TEXT    NOT NULL,
    subject      TEXT    NOT NULL, -- the id of what it was done to; empty: it has none that may be kept
    detail       TEXT    NOT NULL  -- JSON
) STRICT;

CREATE INDEX audit_of ON audit (organisation, place);

-- +goose StatementBegin
CREATE TRIGGER audit_stays BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'the audit trail is only added to'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER audit_stays_as_it_is BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'the audit trail is only added to'); END;
-- +goose StatementEnd

-- By which key a report was posted. Empty: none was needed, or it came before this step.
ALTER TABLE reports ADD COLUMN posted_by TEXT NOT NULL DEFAULT '';
