-- +goose Up

-- Photos: what is known of them. What is in them is in files.
CREATE TABLE attachments (
    organisation TEXT COLLATE "C" NOT NULL,
    id           TEXT COLLATE "C" NOT NULL, -- the SHA-256 of what is in it, in hexadecimal
    media        TEXT COLLATE "C" NOT NULL,
    size         BIGINT  NOT NULL CHECK (size > 0), -- bytes
    width        BIGINT  NOT NULL CHECK (width > 0), -- pixels
    height       BIGINT  NOT NULL CHECK (height > 0),
    created_at   BIGINT  NOT NULL, -- unix ms
    touched_at   BIGINT  NOT NULL, -- unix ms: when it was last sent, or linked by a report
    file         TEXT COLLATE "C" NOT NULL UNIQUE,
    PRIMARY KEY (organisation, id)
);

CREATE INDEX attachments_by_age ON attachments (touched_at);

-- Which report links which.
CREATE TABLE photo_links (
    organisation  TEXT COLLATE "C" NOT NULL,
    report_id     TEXT COLLATE "C" NOT NULL REFERENCES reports (id) ON DELETE CASCADE,
    vehicle       TEXT COLLATE "C" NOT NULL,
    attachment_id TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (report_id, attachment_id),
    FOREIGN KEY (organisation, attachment_id) REFERENCES attachments (organisation, id) ON DELETE CASCADE
);

CREATE INDEX photo_links_to ON photo_links (organisation, attachment_id, vehicle);
CREATE INDEX photo_links_of ON photo_links (organisation, vehicle);

-- Files that belong to no attachment since a time: it is being stored, or is erased. They are removed.
CREATE TABLE loose_files (
    file         TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    organisation TEXT COLLATE "C" NOT NULL,
    since        BIGINT  NOT NULL -- unix ms
);

CREATE INDEX loose_files_by_age ON loose_files (since, file);
