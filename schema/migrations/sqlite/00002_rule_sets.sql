-- +goose Up

-- Every rule set that an assessment was made under, built in or published: what was worked out once
-- can be worked out again.
CREATE TABLE rule_sets (
    digest    TEXT    NOT NULL PRIMARY KEY, -- of canonical
    name      TEXT    NOT NULL,
    version   TEXT    NOT NULL,
    canonical TEXT    NOT NULL -- RFC 8785
) STRICT;

-- Append-only: a published version never changes.
CREATE TABLE publications (
    organisation TEXT    NOT NULL DEFAULT 'workshop',
    name         TEXT    NOT NULL,
    version      TEXT    NOT NULL,
    digest       TEXT    NOT NULL REFERENCES rule_sets (digest),
    purpose      TEXT    NOT NULL,
    published_at INTEGER NOT NULL, -- unix ms
    PRIMARY KEY (organisation, name, version)
) STRICT, WITHOUT ROWID;
