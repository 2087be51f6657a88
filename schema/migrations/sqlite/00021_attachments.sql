-- +goose Up

-- Photos: what is known of them. What is in them is in files.
CREATE TABLE attachments (
    organisation TEXT    NOT NULL,
    id           TEXT    NOT NULL, -- the SHA-256 of what is in it, in hexadecimal
    media        TEXT    NOT NULL,
    size         INTEGER NOT NULL CHECK (size > 0), -- bytes
    width        INTEGER NOT NULL CHECK (width > 0), -- pixels
    height       INTEGER NOT NULL CHECK (height > 0),
    created_at   INTEGER NOT NULL, -- unix ms
    touched_at   INTEGER NOT NULL, -- unix ms: when it was last sent, or linked by a report
    file         TEXT    NOT NULL UNIQUE,
    PRIMARY KEY (organisation, id)
) STRICT;

CREATE INDEX attachments_by_age ON attachments (touched_at);

-- Which report links which.
CREATE TABLE photo_links (
    organisation  TEXT NOT NULL,
    report_id     TEXT NOT NULL REFERENCES reports (id) ON DELETE CASCADE,
    vehicle       TEXT NOT NULL,
    attachment_id TEXT NOT NULL,
    PRIMARY KEY (report_id, attachment_id),
    FOREIGN KEY (organisation, attachment_id) REFERENCES attachments (organisation, id) ON DELETE CASCADE
) STRICT;

CREATE INDEX photo_links_to ON photo_links (organisation, attachment_id, vehicle);
CREATE INDEX photo_links_of ON photo_links (organisation, vehicle);

-- Files that belong to no attachment since a time: it is being stored, or is erased. They are removed.
CREATE TABLE loose_files (
    file         TEXT    NOT NULL PRIMARY KEY,
    organisation TEXT    NOT NULL,
    since        INTEGER NOT NULL -- unix ms
) STRICT;

CREATE INDEX loose_files_by_age ON loose_files (since, file);
