-- +goose Up

-- Every rule set that an assessment was made under, built in or published: what was worked out once
-- can be worked out again.
CREATE TABLE rule_sets (
    digest    TEXT COLLATE "C" NOT NULL PRIMARY KEY, -- of canonical
    name      TEXT    NOT NULL,
    version   TEXT    NOT NULL,
    canonical TEXT    NOT NULL -- RFC 8785
);

-- Append-only: a published version never changes.
CREATE TABLE publications (
    organisation TEXT COLLATE "C" NOT NULL DEFAULT 'workshop',
    name         TEXT COLLATE "C" NOT NULL,
    version      TEXT COLLATE "C" NOT NULL,
    digest       TEXT COLLATE "C" NOT NULL REFERENCES rule_sets (digest),
    purpose      TEXT    NOT NULL,
    published_at BIGINT NOT NULL, -- unix ms
    PRIMARY KEY (organisation, name, version)
);
