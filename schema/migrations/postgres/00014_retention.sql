-- +goose Up

-- After how many days without a report vehicles of an organisation are erased. No row: they are kept.
CREATE TABLE retention (
    organisation TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    days         BIGINT NOT NULL CHECK (days > 0)
);
