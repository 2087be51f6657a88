-- +goose Up

-- Who did what and when. Rows are added and never changed: the database itself sees to that. Nothing in
-- them says what a vehicle is called or what was found on it, so that they outlast its erasure.
CREATE TABLE audit (
    place        BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    id           TEXT COLLATE "C" NOT NULL UNIQUE,
    organisation TEXT COLLATE "C" NOT NULL,
    at           BIGINT NOT NULL, -- unix ms
    through      TEXT   NOT NULL, -- key, session, machine, command or service
    api_key      TEXT   NOT NULL, -- its id; empty: none was needed
    action       TEXT   NOT NULL,
    subject      TEXT   NOT NULL, -- the id of what it was done to; empty: it has none that may be kept
    detail       TEXT   NOT NULL  -- JSON
);

CREATE INDEX audit_of ON audit (organisation, place);

-- +goose StatementBegin
CREATE FUNCTION audit_is_added_to() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the audit trail is only added to';
END
$$;
-- +goose StatementEnd
CREATE TRIGGER audit_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON audit FOR EACH STATEMENT EXECUTE FUNCTION audit_is_added_to();

-- By which key a report was posted. Empty: none was needed, or it came before this step.
ALTER TABLE reports ADD COLUMN posted_by TEXT NOT NULL DEFAULT '';
