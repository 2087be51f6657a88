-- +goose Up

-- After how many days without a report vehicles of an organisation are erased. No row: they are kept.
CREATE TABLE retention (
    organisation TEXT    NOT NULL PRIMARY KEY,
    days         INTEGER NOT NULL CHECK (days > 0)
) STRICT, WITHOUT ROWID;
